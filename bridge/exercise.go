package bridge

import (
	"context"
	"fmt"
	"slices"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/config"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

const exerciseKey = "exercise"

// exercise is what the operator has set while the gateway ran. It holds until
// POSTHOUSE_EXERCISE is changed: the later of the two counts.
type exercise struct {
	Name    string      `cbor:"1,keyasint,omitempty"` // empty: stopped
	Since   queue.Stamp `cbor:"2,keyasint"`
	Setting string      `cbor:"3,keyasint,omitempty"` // POSTHOUSE_EXERCISE at that time
}

// loadExercise reads which exercise is on.
func (b *Bridge) loadExercise(ctx context.Context) error {
	v, err := b.store.Setting(ctx, exerciseKey)
	if err != nil {
		return err
	}
	on := exercise{Name: b.cfg.Exercise, Setting: b.cfg.Exercise, Since: b.stamp()}
	if v != nil {
		var e exercise
		if err := cbor.Unmarshal(v, &e); err != nil {
			return fmt.Errorf("the exercise: %w", err)
		}
		if e.Setting == b.cfg.Exercise {
			on = e
		}
	}
	b.control.mu.Lock()
	defer b.control.mu.Unlock()
	b.control.exercise = on
	return nil
}

// Exercise tells which exercise is on.
func (b *Bridge) Exercise() desk.Exercise {
	b.control.mu.RLock()
	defer b.control.mu.RUnlock()
	e := b.control.exercise
	if e.Name == "" {
		return desk.Exercise{}
	}
	return desk.Exercise{Name: e.Name, Since: moment(e.Since)}
}

// StartExercise marks the texts of those who take part from now on, also after a
// restart. What is already in the queue is not changed.
func (b *Bridge) StartExercise(ctx context.Context, name, by string) (desk.Exercise, error) {
	if problem := exerciseProblem(name); problem != "" {
		return desk.Exercise{}, cannot("the exercise's name %q %s", name, problem)
	}
	if on := b.Exercise(); on.Name != "" {
		return desk.Exercise{}, cannot("the exercise %s goes on since %s; stop it first", on.Name, on.Since)
	}
	err := b.setExerciseTo(ctx, name, by)
	return b.Exercise(), err
}

// StopExercise ends the marking, and tells which exercise that was.
func (b *Bridge) StopExercise(ctx context.Context, by string) (desk.Exercise, error) {
	was := b.Exercise()
	if was.Name == "" {
		return was, cannot("no exercise goes on")
	}
	return was, b.setExerciseTo(ctx, "", by)
}

func (b *Bridge) setExerciseTo(ctx context.Context, name, by string) error {
	e := exercise{Name: name, Since: b.stamp(), Setting: b.cfg.Exercise}
	v, err := cbor.Marshal(e)
	if err != nil {
		return err
	}
	if _, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{exerciseKey: v}}); err != nil {
		return err
	}
	b.control.mu.Lock()
	b.control.exercise = e
	b.control.mu.Unlock()
	b.log.Warn("exercise", "name", name, "on", name != "", "by", by)
	return nil
}

// setExercise marks the texts of those who take part in an exercise: of the
// stations listed, else of everybody. A text that begins with REAL EMERGENCY is
// never marked.
func (b *Bridge) setExercise(m *message.Message) {
	name := b.Exercise().Name
	if name == "" || rules.Real(m.Text) {
		return
	}
	players := b.control.players
	if len(players) == 0 || slices.ContainsFunc(players, func(p rules.Pattern) bool { return p.Match(m.From) }) {
		m.Exercise = name
	}
}

func exerciseProblem(name string) string {
	if name == "" {
		return "is empty"
	}
	return config.ExerciseProblem(name)
}
