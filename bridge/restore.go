package bridge

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"posthouse/queue"
)

const (
	// reviewFor is how long messages from a backup wait for the operator's decision.
	reviewFor = 7 * 24 * time.Hour
	// jumpAhead is how far numbers that follow the clock in milliseconds are moved
	// on, so that they are new even if the clock is not set.
	jumpAhead = uint64(400 * 24 * time.Hour / time.Millisecond)
	// leastSkipped and perSecond say how many accept numbers are skipped: more than the
	// gateway can have used since the backup.
	// For a clock that is not set: more than a busy Raspberry Pi uses in a year.
	leastSkipped   = 1_000_000
	perSecond      = 100
	unknownSkipped = 10_000_000
)

// Restoration is what is known about a store from a backup.
type Restoration struct {
	Made   time.Time // when the backup was made
	Now    time.Time // zero: the clock is not trusted
	Last   uint64    // the highest accept number in the store
	Paced  []string  // links that are paced by airtime
	Trunks []string
	// Marks returns the marks of a trunk as they must be after a restore.
	Marks func(trunk string, marks map[string][]byte) (map[string][]byte, error)
}

// since is the time from the backup to now, as far as clocks tell.
func (n *Restoration) since() time.Duration {
	if n.Now.IsZero() || n.Now.Before(n.Made) {
		return 0
	}
	return n.Now.Sub(n.Made)
}

// FirstNumber is where the accept numbers go on, so that none is used twice: a round
// number after all that the gateway can have used since the backup.
func (n *Restoration) FirstNumber() uint64 {
	skipped := max(leastSkipped, uint64(n.since()/time.Second)*perSecond)
	if n.Now.IsZero() {
		skipped = unknownSkipped
	}
	return (n.Last+skipped)/leastSkipped*leastSkipped + leastSkipped + 1
}

// Restored makes a store from a backup safe to run with, before a Bridge runs on it:
// all open deliveries are held for the operator, since they may have been sent after
// the backup; the last hour of airtime counts as used; the numbers of starts and
// events jump beyond all that were used. It returns how many deliveries are held, and
// may be repeated after an error.
func Restored(ctx context.Context, s queue.Store, n Restoration) (held int, err error) {
	saved, err := SavedClock(ctx, s)
	if err != nil {
		return 0, fmt.Errorf("the saved clock: %w", err)
	}
	at := queue.Stamp{Age: saved.Age.Add(n.since()), Wall: n.Now, Sure: !n.Now.IsZero()}
	put := map[string][]byte{}
	for _, name := range n.Paced {
		put[airKey+name] = []byte(airUsed)
	}
	for _, step := range []func(context.Context, queue.Store, map[string][]byte) error{n.boot, n.marks} {
		if err := step(ctx, s, put); err != nil {
			return 0, err
		}
	}
	if _, err := s.Apply(ctx, queue.Op{Urgent: true, Put: put}); err != nil {
		return 0, err
	}
	return n.hold(ctx, s, at)
}

// boot numbers the next start of the gateway higher than any before.
func (n *Restoration) boot(ctx context.Context, s queue.Store, put map[string][]byte) error {
	v, err := s.Setting(ctx, bootKey)
	if err != nil {
		return err
	}
	last, _ := strconv.ParseUint(string(v), 10, 64) // none: 0
	if !n.Now.IsZero() {
		last = max(last, uint64(n.Now.UnixMilli()))
	}
	put[bootKey] = strconv.AppendUint(nil, last+jumpAhead, 10)
	return nil
}

// marks lets the trunks update their marks.
func (n *Restoration) marks(ctx context.Context, s queue.Store, put map[string][]byte) error {
	for _, name := range n.Trunks {
		prefix := markKey + name + "/"
		all, err := s.Settings(ctx, prefix)
		if err != nil {
			return err
		}
		was := map[string][]byte{}
		for key, v := range all {
			was[strings.TrimPrefix(key, prefix)] = v
		}
		now, err := n.Marks(name, was)
		if err != nil {
			return fmt.Errorf("the numbers of trunk %s: %w", name, err)
		}
		for key, v := range now {
			put[prefix+key] = v
		}
	}
	return nil
}

// hold parks every open delivery except those that another gateway has: these are
// not to be sent.
func (n *Restoration) hold(ctx context.Context, s queue.Store, at queue.Stamp) (held int, err error) {
	why := "a backup of " + n.Made.UTC().Format("2006-01-02 1504Z") + " brought it back; it may have gone out since"
	for after := uint64(0); ; {
		records, err := s.List(ctx, true, after, page)
		if err != nil || len(records) == 0 {
			return held, err
		}
		var ops []queue.Op
		for _, r := range records {
			after = r.Seq
			ops = append(ops, queue.Op{Seq: r.Seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
				return nil, park(r, at, why)
			}})
		}
		done, err := s.Apply(ctx, ops...)
		if err != nil {
			return held, err
		}
		for _, d := range done {
			if d.Record != nil {
				held += parked(d.Record)
			}
		}
	}
}

func park(r *queue.Record, at queue.Stamp, why string) error {
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		if !d.State.Open() || d.State == queue.Passed || d.State == queue.Parked && r.Restored {
			continue
		}
		d.State, d.Error = queue.Parked, "restored, may be out already"
		r.Note(at, "parked", d.Link, why)
		r.Restored = true
	}
	if !r.Restored {
		return queue.ErrSkip
	}
	r.Until = max(r.Until, at.Age.Add(reviewFor))
	r.Expires = r.Until
	return nil
}

func parked(r *queue.Record) (n int) {
	for i := range r.Deliveries {
		if r.Deliveries[i].State == queue.Parked {
			n++
		}
	}
	return n
}

// Checkpoint saves, for a backup, what the gateway otherwise keeps in memory for
// minutes: who was heard, and its age.
func (b *Bridge) Checkpoint(ctx context.Context) error {
	b.saveHeard(ctx)
	_, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{clockKey: b.savedClock()}})
	return err
}
