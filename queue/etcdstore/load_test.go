//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"posthouse/queue"
)

// long is how long a fault lasts, or how often it comes: as in the field, or as CI
// has time for.
func long[T any](field, ci T) T {
	if os.Getenv("POSTHOUSE_LONG") == "1" {
		return field
	}
	return ci
}

// pass lets so much time go by, which is what a fault is about.
func pass(t testing.TB, d time.Duration) {
	t.Helper()
	select {
	case <-time.After(d):
	case <-t.Context().Done():
	}
}

// load is writers that store texts and change them while something breaks, and
// the book of what each was told.
type load struct {
	t    testing.TB
	stop context.CancelFunc
	all  sync.WaitGroup

	mu       sync.Mutex
	texts    map[string]*told
	attempts int // Applies in all
	done     int // of them confirmed
	last     time.Time
	longest  time.Duration // between two confirmations
	slowRead time.Duration
	errs     map[string]int
}

// told is what a writer knows of one text.
type told struct {
	confirmed bool
	again     bool // its writer has repeated it until it was confirmed
	sure      int  // changes that were confirmed
	maybe     int  // changes that nobody knows of
}

// burden has writers and a reader work with a store until rest is called.
func burden(t testing.TB, s *Store, writers int) *load {
	ctx, stop := context.WithCancel(context.Background())
	l := &load{t: t, stop: stop, texts: map[string]*told{}, errs: map[string]int{}, last: time.Now()}
	for w := range writers {
		l.all.Go(func() {
			for i := w; ctx.Err() == nil; i += writers {
				l.write(ctx, s, i)
			}
		})
	}
	l.all.Go(func() {
		for ctx.Err() == nil {
			l.read(ctx, s)
		}
	})
	t.Cleanup(l.rest)
	return l
}

// write stores one text, as a client does that repeats what was not confirmed,
// or, one text in four, as one that gives up; then it changes the record.
func (l *load) write(ctx context.Context, s *Store, i int) {
	id := fmt.Sprint(i)
	l.note(id, func(t *told) {})
	var seq uint64
	for again := false; ; again = true {
		done, err := l.apply(s, queue.Op{New: sample(i), SameFor: time.Hour})
		if err == nil {
			seq = done[0].Seq
			l.note(id, func(t *told) { t.confirmed, t.again = true, again })
			break
		}
		if wait(ctx, 100*time.Millisecond); i%4 == 0 || ctx.Err() != nil {
			return
		}
	}
	done, err := l.apply(s, queue.Op{Seq: seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
		r.Deliveries[0].Attempts++
		return nil, nil
	}})
	switch {
	case err == nil && done[0].Err == nil:
		l.note(id, func(t *told) { t.sure++ })
	case errors.Is(err, queue.ErrUncertain):
		l.note(id, func(t *told) { t.maybe++ })
	case err == nil:
		l.t.Errorf("text %s was confirmed as record %d: %v", id, seq, done[0].Err)
	}
	wait(ctx, 10*time.Millisecond)
}

// wait is a writer's pause.
func wait(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

func (l *load) apply(s *Store, op queue.Op) ([]queue.Done, error) {
	done, err := s.Apply(context.Background(), op)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.attempts++
	switch {
	case err == nil:
		l.longest = max(l.longest, time.Since(l.last))
		l.last = time.Now()
		l.done++
	case errors.Is(err, queue.ErrUncertain):
		l.errs["nobody knows"]++
	case errors.Is(err, queue.ErrFull):
		l.errs["full"]++
	default:
		l.errs["not stored"]++
	}
	return done, err
}

func (l *load) note(id string, what func(*told)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.texts[id] == nil {
		l.texts[id] = &told{}
	}
	what(l.texts[id])
}

// read asks what couriers and pages ask, whatever etcd does meanwhile.
func (l *load) read(ctx context.Context, s *Store) {
	begun := time.Now()
	_, err := s.List(ctx, true, 0, 100)
	if err == nil {
		_, err = s.Heads(ctx, "far", 0, 1<<40, 0, 10)
	}
	if err == nil {
		_, err = s.Settings(ctx, "")
	}
	if err != nil && ctx.Err() == nil {
		l.t.Errorf("reading: %v", err)
	}
	l.mu.Lock()
	l.slowRead = max(l.slowRead, time.Since(begun))
	l.mu.Unlock()
	wait(ctx, 20*time.Millisecond)
}

// lastConfirmed tells when something was confirmed last.
func (l *load) lastConfirmed() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

// goesOn waits until some more is confirmed.
func (l *load) goesOn(what string) {
	l.t.Helper()
	l.more(60, what)
}

func (l *load) more(n int, what string) {
	l.t.Helper()
	enough := l.confirmed() + n
	until(l.t, what, func() bool { return l.confirmed() >= enough })
}

func (l *load) confirmed() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.done
}

// rest ends the load; what is under way is waited for.
func (l *load) rest() {
	l.stop()
	l.all.Wait()
}

// settle ends the load, and compares what the writers were told with what is in
// the stores, the writers' own first.
func (l *load) settle(stores ...*Store) {
	l.t.Helper()
	l.rest()
	// Behind what the writers have left is settled, too.
	until(l.t, "the end is written", func() bool {
		_, err := stores[0].Apply(l.t.Context(), queue.Op{Put: map[string][]byte{"end": {1}}})
		return err == nil
	})
	for _, s := range stores[1:] {
		until(l.t, "the mirrors agree", func() bool { return s.follower.position() >= stores[0].follower.position() })
	}
	seen, attempts := map[string]int{}, map[string]int{}
	for _, r := range sameRecords(l.t, stores...) {
		seen[r.Message.OriginID]++
		attempts[r.Message.OriginID] += r.Deliveries[0].Attempts
	}
	confirmed, repeated := 0, 0
	for id, told := range l.texts {
		n, a := seen[id], attempts[id]
		switch {
		case told.confirmed && n != 1:
			l.t.Errorf("text %s was confirmed and is there %d times", id, n)
		case n > 1:
			l.t.Errorf("text %s is there %d times", id, n)
		case a < told.sure || a > told.sure+told.maybe:
			l.t.Errorf("of text %s %d changes were confirmed, nobody knows of %d, and %d were carried out", id, told.sure, told.maybe, a)
		}
		if told.confirmed {
			confirmed++
		}
		if told.again {
			repeated++
		}
	}
	if confirmed == 0 {
		l.t.Error("nothing was confirmed: this test looked at nothing")
	}
	l.t.Logf("%d texts, %d confirmed (%d of them after a repetition), %d stored; %d writes, not confirmed: %v; the longest time without a confirmation %v, the slowest read %v",
		len(l.texts), confirmed, repeated, len(seen), l.attempts, l.errs, l.longest.Round(time.Millisecond), l.slowRead.Round(time.Millisecond))
}
