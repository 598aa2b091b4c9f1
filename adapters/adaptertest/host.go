package adaptertest

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// Host stands in for the bridge: it keeps what it is offered, and fails,
// refuses or waits when told to. The zero value accepts everything.
type Host struct {
	mu       sync.Mutex
	changed  chan struct{} // closed at the next change; nil: nobody waits
	offered  []message.Message
	kept     []message.Message
	counts   map[string]int
	states   []State
	trouble  string
	gate     chan struct{} // open accepts wait until it is closed; nil: none waits
	failures []error
	refusal  link.Verdict
	hearings map[string][]link.Hearing
	interest link.Interest

	turnedAway []message.Message
}

// State is one call of Host.State.
type State struct {
	Up  bool
	Why string
}

var _ link.Host = (*Host)(nil)

// Accept implements link.Host.
func (h *Host) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	var gate chan struct{}
	var refusal link.Verdict // as it is when the offer shows: who waited for that may lift it at once
	h.change(func() {
		h.offered = append(h.offered, in...)
		gate, refusal = h.gate, h.refusal
	})
	if gate != nil {
		select {
		case <-gate:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	var err error
	verdicts := make([]link.Verdict, len(in))
	h.change(func() {
		if len(h.failures) > 0 {
			err, h.failures = h.failures[0], h.failures[1:]
			return
		}
		for i, m := range in {
			verdicts[i] = refusal
			if !verdicts[i].Refused() {
				h.kept = append(h.kept, m)
				verdicts[i].ID = fmt.Sprint(len(h.kept))
			}
		}
	})
	if err != nil {
		return nil, err
	}
	return verdicts, nil
}

// Judge implements link.Host. As the bridge does, it looks for a text before it
// looks at anything else.
func (h *Host) Judge(m message.Message) link.Verdict {
	h.mu.Lock()
	defer h.mu.Unlock()
	if m.Text == "" {
		return link.Verdict{Code: link.CodeNotText, Why: "there is nothing to read"}
	}
	return h.refusal
}

// State implements link.Host.
func (h *Host) State(up bool, why string) {
	h.change(func() { h.states = append(h.states, State{Up: up, Why: why}) })
}

// Trouble implements link.Host.
func (h *Host) Trouble(what string) { h.change(func() { h.trouble = what }) }

// Heard implements link.Host.
func (h *Host) Heard(call string) []link.Hearing {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.hearings[call])
}

// Interest implements link.Host.
func (h *Host) Interest() link.Interest {
	h.mu.Lock()
	defer h.mu.Unlock()
	return link.Interest{Stations: slices.Clone(h.interest.Stations), Sought: slices.Clone(h.interest.Sought)}
}

// TurnedAway implements link.Host: it counts by the code, as Count does.
func (h *Host) TurnedAway(m message.Message, code, _ string) {
	h.Count(code)
	h.change(func() { h.turnedAway = append(h.turnedAway, m) })
}

// AllTurnedAway gives what the adapter refused itself, in order.
func (h *Host) AllTurnedAway() []message.Message {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.turnedAway)
}

// Count implements link.Host.
func (h *Host) Count(reason string) {
	h.change(func() {
		if h.counts == nil {
			h.counts = map[string]int{}
		}
		h.counts[reason]++
	})
}

// Block makes every accept wait from now on; release lets them all go, and may
// be called more than once.
func (h *Host) Block() (release func()) {
	gate := make(chan struct{})
	h.change(func() { h.gate = gate })
	return sync.OnceFunc(func() {
		h.change(func() { h.gate = nil })
		close(gate)
	})
}

// FailNext makes the next accepts fail with errs, one each, and keep nothing.
func (h *Host) FailNext(errs ...error) {
	h.change(func() { h.failures = append(h.failures, errs...) })
}

// Refuse makes Accept and Judge refuse everything with a code; an empty code
// ends that.
func (h *Host) Refuse(code, why string) {
	h.change(func() { h.refusal = link.Verdict{Code: code, Why: why} })
}

// SetHeard sets what Heard answers for a station.
func (h *Host) SetHeard(call string, at ...link.Hearing) {
	h.change(func() {
		if h.hearings == nil {
			h.hearings = map[string][]link.Hearing{}
		}
		h.hearings[call] = at
	})
}

// SetInterest sets what Interest answers.
func (h *Host) SetInterest(i link.Interest) { h.change(func() { h.interest = i }) }

// Offered gives every message that was given to Accept, in order, also those
// that it did not keep.
func (h *Host) Offered() []message.Message {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.offered)
}

// Kept gives the messages that Accept took over, in order.
func (h *Host) Kept() []message.Message {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.kept)
}

// States gives the calls of State, in order.
func (h *Host) States() []State {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.states)
}

// InTrouble gives what Trouble was told last.
func (h *Host) InTrouble() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.trouble
}

// Up tells the state that was reported last; a link that reported none is down.
func (h *Host) Up() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.states) > 0 && h.states[len(h.states)-1].Up
}

// Counts gives how often each reason was counted.
func (h *Host) Counts() map[string]int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return maps.Clone(h.counts)
}

// Wait waits until ok holds, looking again after each change of the host. It
// tells whether it did before ctx ended.
func (h *Host) Wait(ctx context.Context, ok func() bool) bool {
	for {
		h.mu.Lock()
		if h.changed == nil {
			h.changed = make(chan struct{})
		}
		changed := h.changed
		h.mu.Unlock()
		if ok() {
			return true
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return false
		}
	}
}

// change alters the host and wakes who waits for that.
func (h *Host) change(alter func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	alter()
	if h.changed != nil {
		close(h.changed)
		h.changed = nil
	}
}
