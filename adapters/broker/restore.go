package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/presence"
)

// How far a restore moves the numbers of events on, in milliseconds. They follow the
// clock, and run ahead of it by a block with each start: a month is thousands of starts.
// If the clock is not set it does not show how many were used since the backup: then a
// year is added.
const (
	restoreJump  = uint64(30 * 24 * time.Hour / time.Millisecond)
	unknownClock = uint64(365 * 24 * time.Hour / time.Millisecond)
)

// RestoredMarks updates the marks of a trunk (link.TrunkHost) from a backup: our own
// events get numbers beyond all that we used after it, so that others accept them; the
// events of trusted gateways that were signed before now count as seen, so that nobody
// can replay them. Their senders sign again what has no receipt. With a zero now, from a
// clock that is not trusted, the windows stay as they were.
func RestoredMarks(marks map[string][]byte, believed *envelope.Trust, now time.Time) (map[string][]byte, error) {
	out := map[string][]byte{}
	var last uint64
	if b := marks[numberMark]; len(b) > 0 {
		if _, err := fmt.Sscanf(string(b), "%d", &last); err != nil {
			return nil, fmt.Errorf("stored number %q: %w", b, err)
		}
	}
	next := envelope.NextNumber(last, now) + restoreJump
	if now.IsZero() {
		out[numberMark] = fmt.Append(nil, next+unknownClock)
		return out, nil
	}
	out[numberMark] = fmt.Append(nil, next)
	windows := map[string][]byte{}
	for key, v := range marks {
		if strings.HasPrefix(key, windowMark) {
			windows[key] = v
		}
	}
	for _, call := range believed.Calls() {
		for _, key := range believed.Keys(call) {
			mark := windowMark + key.Thumbprint()
			windows[mark] = marks[mark]
		}
	}
	for mark, v := range windows {
		closed, err := closeWindow(v, uint64(now.UnixMilli()))
		if err != nil {
			return nil, fmt.Errorf("mark %s: %w", mark, err)
		}
		out[mark] = closed
	}
	return out, nil
}

// closeWindow counts every number up to one as seen.
func closeWindow(stored []byte, upTo uint64) ([]byte, error) {
	var w envelope.Window
	if stored != nil {
		if err := w.UnmarshalBinary(stored); err != nil {
			return nil, err
		}
	}
	if w.Highest() < upTo+envelope.WindowSize {
		// So far that the whole window is beyond the last number to refuse.
		if err := w.Take(upTo + envelope.WindowSize); err != nil {
			return nil, err
		}
	}
	return w.MarshalBinary()
}

// FindTwin listens on a trunk for a gateway with our own call sign and key: two would be
// responsible for the same messages. It uses another client id, so that it disconnects
// nobody, and publishes nothing. It listens until a twin is found, or for listen; a living
// gateway may be silent for presence.Alive. An error means that nobody knows.
func FindTwin(ctx context.Context, o TrunkOptions, listen time.Duration) (bool, error) {
	own, err := envelope.ParseTrust([]byte(o.Key.Public().JWK(o.Call)))
	if err != nil {
		return false, err
	}
	o.ReceiveOnly = true
	t, err := NewTrunk(o)
	if err != nil {
		return false, err
	}
	filter, err := envelope.PresenceBy(t.opts.TopicRoot, t.opts.Call)
	if err != nil {
		return false, err
	}
	t.session.opts.Topics, t.session.opts.Clean, t.session.opts.ClientID = []string{filter}, true, t.session.opts.ClientID+"-restore"
	w := &twinWatch{t: t, own: own, table: presence.NewTable(), up: make(chan struct{}, 1), found: make(chan struct{}, 1), failed: make(chan error, 1)}
	return w.run(ctx, listen)
}

// twinWatch is one look for a twin.
type twinWatch struct {
	t      *Trunk
	own    *envelope.Trust
	table  *presence.Table
	up     chan struct{} // gets a value when the broker has granted the subscription
	found  chan struct{} // gets a value when a twin was heard
	failed chan error    // the broker cannot be reached, or was lost
}

func (w *twinWatch) run(parent context.Context, listen time.Duration) (bool, error) {
	ctx, cancel := context.WithCancel(parent)
	var session sync.WaitGroup
	session.Go(func() {
		_ = w.t.session.run(ctx, handler{take: w.take, state: w.state, drop: func(dropped) {}}) // it ends with ctx
	})
	defer session.Wait()
	defer cancel()
	var silent <-chan time.Time // begins when the broker has granted the subscription
	up := w.up
	for {
		select {
		case <-up:
			up, silent = nil, time.After(listen)
		case <-silent:
			return false, nil
		case <-w.found:
			return true, nil
		case err := <-w.failed:
			return false, fmt.Errorf("trunk link %s: %w", w.t.opts.Name, err)
		case <-parent.Done():
			return false, parent.Err()
		}
	}
}

func (w *twinWatch) state(up bool, why string) {
	if up {
		select {
		case w.up <- struct{}{}:
		default:
		}
		return
	}
	select {
	case w.failed <- errors.New(why):
	default:
	}
}

// take looks for a new announcement in our own name.
func (w *twinWatch) take(_ context.Context, packets []packet) error {
	for _, p := range packets {
		now, trusted := w.t.opts.Wall()
		r, err := envelope.Open(p.payload, w.own, envelope.Want{Root: w.t.opts.TopicRoot, Topic: p.topic, Now: now, ClockTrusted: trusted})
		if err != nil {
			continue
		}
		b, ok := r.Body.(envelope.Presence)
		if !ok || b.Gone {
			continue
		}
		w.table.Hear(presence.Say{Mesh: b.Mesh, Call: r.Source, Boot: b.Boot, Count: b.Counter}, p.retained, time.Now())
		if w.table.IsAlive(r.Source, time.Now()) {
			select {
			case w.found <- struct{}{}:
			default:
			}
		}
	}
	return nil
}
