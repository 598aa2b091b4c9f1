// Package line is the queue of calls in front of a store's committer, first in, first
// out. The committer takes all that waits and fits, without waiting for more, so one
// caller pays one sync and a hundred share it. Lazy calls, for which nobody waits, ride
// along, or wait for company a while: as long as New says, or until they are as many.
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
	LazyMany = 1000            // lazy ops that are worth a commit
	maxLazy  = 20000           // lazy ops that are kept while nothing can be written
)

// Call is what a line knows of a call; a store's own calls embed it.
type Call struct {
	Ops  int
	Lazy bool

	Err  error
	Done chan struct{} // closed once Err is set; nil for lazy calls

	queued  time.Time
	claimed atomic.Bool // by the committer, or by a caller who gave up
}

// Waits is what Line asks of a store's own call.
func (c *Call) Waits() *Call { return c }

// Withdraw takes a call back; false: the committer has begun it.
func (c *Call) Withdraw() bool { return c.claimed.CompareAndSwap(false, true) }

// Line is made by New.
type Line[C interface{ Waits() *Call }] struct {
	wake chan struct{} // holds one word while there is news
	wait time.Duration // the longest that a lazy op waits for company
	many int           // lazy ops that are company enough

	mu     sync.Mutex
	alarm  *time.Timer // rings when the oldest lazy op has waited long enough
	calls  []C
	firm   int       // calls in it that somebody waits for
	lazy   int       // lazy ops in it
	since  time.Time // when the oldest lazy op came
	closed bool
}

// New makes a line of calls, in which a lazy op waits so long for company, or until
// there are so many.
func New[C interface{ Waits() *Call }](wait time.Duration, many int) *Line[C] {
	return &Line[C]{wake: make(chan struct{}, 1), wait: wait, many: many}
}

// Wake holds a word when Take may have something.
func (l *Line[C]) Wake() <-chan struct{} { return l.wake }

// Add puts a call at the end: queue.ErrClosed, or queue.ErrFull for a lazy one too many.
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

// ringIn has the committer look after a time: it is not woken for a lazy op that comes.
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

// Ring has the committer look at once.
func (l *Line[C]) Ring() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// Take gives the next batch: the first call, and those behind it as long as all sizes
// together are at most so much. When it is nil there is nothing to do now: look again
// after the given time, or when Wake says so. It may be empty: every caller gave up.
// over is true once the line is closed and empty.
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

// GiveBack puts lazy calls in front again, after a commit that failed, to be tried
// after a pause; false: the line is closed, and there is no later.
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

// Close lets nobody in any more.
func (l *Line[C]) Close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.alarm != nil {
		l.alarm.Stop()
	}
	l.Ring()
}
