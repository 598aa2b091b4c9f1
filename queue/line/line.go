// Package line is the queue of calls in front of a store's committer, first in, first
// out. The committer takes all that wait and fit, without waiting for more, so that many
// callers share one sync. Lazy calls, for whose answer nobody waits, go along with the
// others, or alone after a time or at a number given to New.
package line

import (
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/queue"
)

const (
	LazyWait = 5 * time.Second // the longest until a lazy op is on disk
	LazyMany = 1000            // lazy ops that are worth a commit of their own
	maxLazy  = 20000           // lazy ops that are kept while nothing can be written
)

// Call is what a line knows about a call; a store's own calls embed it.
type Call struct {
	Ops  int
	Lazy bool

	Err  error
	Done chan struct{} // closed once Err is set; nil for lazy calls

	queued  time.Time
	claimed atomic.Bool // by the committer, or by a caller that gave up
}

// Waits returns c: it is how Line gets at the Call in a store's own call.
func (c *Call) Waits() *Call { return c }

// Withdraw withdraws a call; false: the committer has begun it.
func (c *Call) Withdraw() bool { return c.claimed.CompareAndSwap(false, true) }

// Line is made by New.
type Line[C interface{ Waits() *Call }] struct {
	wake chan struct{} // has a value while there is news
	wait time.Duration // the longest that a lazy op waits
	many int           // so many lazy ops need not wait

	mu     sync.Mutex
	alarm  *time.Timer // rings when the oldest lazy op has waited long enough
	calls  []C
	firm   int       // calls in it that are not lazy
	lazy   int       // lazy ops in it
	since  time.Time // when the oldest lazy op came
	closed bool
}

// New makes a line of calls, in which a lazy op waits at most that long, or until there
// are that many.
func New[C interface{ Waits() *Call }](wait time.Duration, many int) *Line[C] {
	return &Line[C]{wake: make(chan struct{}, 1), wait: wait, many: many}
}

// Wake has a value when Take may have something.
func (l *Line[C]) Wake() <-chan struct{} { return l.wake }

// Add appends a call. It returns queue.ErrClosed, or queue.ErrFull if too many lazy ones
// wait.
func (l *Line[C]) Add(call C) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	c := call.Waits()
	switch {
	case l.closed:
		return queue.ErrClosed
	case c.Lazy && l.lazy+c.Ops > maxLazy:
		return fmt.Errorf("%w: %d lazy changes wait to be written", queue.ErrFull, l.lazy)
	}
	c.queued = time.Now()
	l.calls = append(l.calls, call)
	l.counted(c, +1)
	if !c.Lazy || l.lazy >= l.many {
		l.Ring()
	}
	return nil
}

// ringIn wakes the committer after a time; a lazy op does not wake it at once.
func (l *Line[C]) ringIn(wait time.Duration) {
	if l.alarm == nil {
		l.alarm = time.AfterFunc(wait, l.Ring)
	} else {
		l.alarm.Reset(wait)
	}
}

func (l *Line[C]) counted(c *Call, sign int) {
	if !c.Lazy {
		l.firm += sign
		return
	}
	if l.lazy == 0 {
		l.since = c.queued
		l.ringIn(l.wait)
	}
	l.lazy += sign * c.Ops
}

// Ring wakes the committer.
func (l *Line[C]) Ring() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// Take returns the next batch: the first call, and those after it as long as the sum of
// sizes is at most most. nil: there is nothing to do now, look again after wait or a
// Wake. The batch may be empty: every caller gave up. over is true once the line is
// closed and empty.
func (l *Line[C]) Take(size func(C) int, most int) (batch []C, wait time.Duration, over bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.firm == 0 && l.lazy < l.many && !l.closed {
		if l.lazy == 0 {
			return nil, LazyWait, false
		}
		if wait = l.wait - time.Since(l.since); wait > 0 {
			return nil, wait, false
		}
	}
	if len(l.calls) == 0 {
		return nil, 0, l.closed
	}
	batch = []C{}
	n, sum := 0, 0
	for ; n < len(l.calls); n++ {
		call := l.calls[n]
		if sum += size(call); n > 0 && sum > most {
			break
		}
		c := call.Waits()
		l.counted(c, -1)
		if c.Lazy || c.Withdraw() {
			batch = append(batch, call)
		}
	}
	if l.calls = l.calls[n:]; len(l.calls) == 0 {
		l.calls = nil // let go of the array
	}
	for _, call := range l.calls {
		if c := call.Waits(); c.Lazy {
			l.since = c.queued
			break
		}
	}
	return batch, 0, false
}

// GiveBack puts lazy calls in front again, after a failed commit, to be tried after a
// pause; false: the line is closed.
func (l *Line[C]) GiveBack(calls []C, pause time.Duration) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return len(calls) == 0
	}
	for _, call := range calls {
		l.counted(call.Waits(), +1)
	}
	l.calls = append(calls, l.calls...)
	l.since = time.Now().Add(pause - l.wait)
	return true
}

// Close makes Add fail from now on.
func (l *Line[C]) Close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.alarm != nil {
		l.alarm.Stop()
	}
	l.Ring()
}
