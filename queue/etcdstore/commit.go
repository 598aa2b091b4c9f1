//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/queue"
)

const (
	lazyWait = 5 * time.Second // the longest that a lazy op waits for company
	lazyMany = 1000            // lazy ops that are reason enough for a commit
	maxLazy  = 20000           // lazy ops that are kept while nothing can be written
	retry    = time.Second     // between two tries to write
	// patience is how long a caller waits while etcd does not answer.
	patience = 8 * time.Second
	// grace is how long it waits further for what has been begun.
	grace = 2 * time.Second
)

// call is one Apply for the committer.
type call struct {
	steps []*step
	lazy  bool

	queued  time.Time
	claimed atomic.Bool // by the committer, or by a caller who gave up
	left    atomic.Bool // its caller has been told that nobody knows: it is not begun again
	err     error
	done    chan struct{} // closed once err is set; nil for lazy calls
}

// line is the queue in front of the committer: first in, first out.
type line struct {
	mu     sync.Mutex
	calls  []*call
	firm   int       // calls in it that somebody waits for
	lazy   int       // lazy ops in it
	since  time.Time // when the oldest lazy op came
	closed bool
	wake   chan struct{} // holds one word while there is news
}

func (l *line) add(c *call) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.closed:
		return queue.ErrClosed
	case c.lazy && l.lazy+len(c.steps) > maxLazy:
		return fmt.Errorf("%w: %d lazy changes wait to be written", queue.ErrFull, l.lazy)
	}
	c.queued = time.Now()
	l.calls = append(l.calls, c)
	l.counted(c, +1)
	l.ring()
	return nil
}

func (l *line) counted(c *call, sign int) {
	if !c.lazy {
		l.firm += sign
		return
	}
	if l.lazy == 0 {
		l.since = c.queued
	}
	l.lazy += sign * len(c.steps)
}

func (l *line) ring() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// take gives the next batch. When it is nil there is nothing to do now: wait for
// the given time, or, when that is 0, for the next call. over is true once the
// line is closed and empty.
func (l *line) take() (batch []*call, wait time.Duration, over bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.firm == 0 && l.lazy < lazyMany && !l.closed {
		if l.lazy == 0 {
			return nil, 0, false
		}
		if wait = lazyWait - time.Since(l.since); wait > 0 {
			return nil, wait, false
		}
	}
	if len(l.calls) == 0 {
		return nil, 0, l.closed
	}
	batch = []*call{} // may stay empty: every caller gave up
	n, keys := 0, 0
	for ; n < len(l.calls); n++ {
		c := l.calls[n]
		for _, st := range c.steps {
			keys += st.keys()
		}
		if n > 0 && keys > maxKeys {
			break
		}
		l.counted(c, -1)
		if c.lazy || c.claimed.CompareAndSwap(false, true) {
			batch = append(batch, c)
		}
	}
	l.calls = append([]*call(nil), l.calls[n:]...)
	l.since = l.oldestLazy()
	return batch, 0, false
}

func (l *line) oldestLazy() time.Time {
	for _, c := range l.calls {
		if c.lazy {
			return c.queued
		}
	}
	return time.Time{}
}

// giveBack puts lazy calls in front again, after a commit that failed, without
// what of them is done. On a closed line there is no later: it returns how many
// ops are lost.
func (l *line) giveBack(calls []*call) (lost int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var lazy []*call
	for _, c := range calls {
		if !c.lazy || c.err == nil {
			continue
		}
		c.steps = unfinished(c.steps)
		if l.closed {
			lost += len(c.steps)
			continue
		}
		c.err = nil
		lazy = append(lazy, c)
		l.counted(c, +1)
	}
	l.calls = append(lazy, l.calls...)
	l.since = time.Now() // the pause before the next try
	return lost
}

func unfinished(steps []*step) (rest []*step) {
	for _, st := range steps {
		if !st.over {
			rest = append(rest, st)
		}
	}
	return rest
}

func (l *line) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.ring()
}

// do hands a call to the committer and waits until it is with a majority. When
// ctx ends first, or etcd does not answer for too long, a call that the committer
// has not begun is withdrawn. One that it has begun is waited for a little
// longer, then nobody knows what becomes of it.
func (s *Store) do(ctx context.Context, c *call) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.lazy {
		return s.line.add(c)
	}
	c.done = make(chan struct{})
	if err := s.line.add(c); err != nil {
		return err
	}
	enough := time.NewTimer(patience)
	defer enough.Stop()
	why := error(nil)
	select {
	case <-c.done:
		return c.err
	case <-ctx.Done():
		why = ctx.Err()
	case <-enough.C:
		why = s.unreachable()
	case <-s.session.part.Done(): // the links are to be closed now, and wait for this
		why = errFenced
	}
	if c.claimed.CompareAndSwap(false, true) {
		return why
	}
	enough.Reset(grace)
	select {
	case <-c.done:
		return c.err
	case <-enough.C:
	case <-s.session.part.Done():
	}
	c.left.Store(true)
	return fmt.Errorf("%w: %w", queue.ErrUncertain, why)
}

// commitLoop is the one goroutine that writes. It ends when the line is closed
// and what was in it is written.
func (s *Store) commitLoop() {
	defer close(s.stopped)
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		batch, wait, over := s.line.take()
		if over {
			return
		}
		if batch != nil {
			s.commitBatch(batch)
			continue
		}
		var due <-chan time.Time
		if wait > 0 {
			timer.Reset(wait)
			due = timer.C
		}
		select {
		case <-s.line.wake:
		case <-due:
		}
	}
}

// commitBatch writes a batch and answers everybody in it.
func (s *Store) commitBatch(batch []*call) {
	if len(batch) == 0 {
		return
	}
	begun := time.Now()
	for _, c := range batch {
		c.err = nil
	}
	for _, pieces := range portions(batch) {
		s.carry(pieces)
	}
	var err error
	for _, c := range batch {
		err = errors.Join(err, c.err)
	}
	s.took(time.Since(begun), err)
	if lost := s.line.giveBack(batch); lost > 0 {
		s.lost(lost, err)
	}
	for _, c := range batch {
		if c.done != nil {
			close(c.done)
		}
	}
}

// piece is a part of a call that is carried out in one step.
type piece struct {
	*call
	steps []*step
}

// portions are what should fit into one transaction each: a batch, or, when it is one
// call that is larger, parts of that.
func portions(batch []*call) (all [][]piece) {
	if len(batch) > 1 {
		pieces := make([]piece, len(batch))
		for i, c := range batch {
			pieces[i] = piece{c, c.steps}
		}
		return [][]piece{pieces}
	}
	c := batch[0]
	for begin, keys, i := 0, 0, 0; i < len(c.steps); i++ {
		keys += c.steps[i].keys()
		if i+1 == len(c.steps) || keys+c.steps[i+1].keys() > maxKeys {
			all = append(all, []piece{{c, c.steps[begin : i+1]}})
			begin, keys = i+1, 0
		}
	}
	return all
}

// carry carries out pieces in order: in one transaction, or, when that does not
// hold all of them, in several. What goes wrong is noted with each call.
func (s *Store) carry(pieces []piece) {
	pieces = alive(pieces)
	if len(pieces) == 0 {
		return
	}
	err := s.transact(pieces)
	if !errors.Is(err, errTooMuch) {
		for _, p := range pieces {
			p.err = errors.Join(p.err, err)
			for _, st := range p.steps {
				if st.over = err == nil; st.over {
					st.tell(s.log)
				}
			}
		}
		return
	}
	if len(pieces) > 1 {
		s.carry(pieces[:len(pieces)/2])
		s.carry(pieces[len(pieces)/2:])
		return
	}
	p := pieces[0]
	n := len(p.steps)
	if n == 1 {
		p.err = fmt.Errorf("one op is %w", errTooMuch)
		return
	}
	s.carry([]piece{{p.call, p.steps[:n/2]}})
	s.carry([]piece{{p.call, p.steps[n/2:]}})
}

// alive leaves out what has failed or was left by its caller.
func alive(pieces []piece) (rest []piece) {
	for _, p := range pieces {
		switch {
		case p.err != nil:
		case p.left.Load():
			p.err = queue.ErrUncertain
		default:
			rest = append(rest, p)
		}
	}
	return rest
}

// transact carries out pieces in one transaction. Where others were faster it
// plans anew by what they wrote.
func (s *Store) transact(pieces []piece) error {
	f := newFacts()
	for attempt := 0; ; attempt++ {
		p, t, err := s.plan(pieces, f)
		if err != nil {
			return err
		}
		if landed, err := s.commit(p, t); landed || err != nil {
			return err
		}
		if pieces = alive(pieces); len(pieces) == 0 {
			return nil
		}
		if err := s.pauseAfter(attempt); err != nil {
			return err
		}
	}
}

func (s *Store) plan(pieces []piece, f *facts) (*plan, *txn, error) {
	ctx, cancel := context.WithTimeout(context.Background(), s.opts.Timeout)
	defer cancel()
	p := s.newPlan(f)
	for _, piece := range pieces {
		for _, st := range piece.steps {
			if err := st.carry(ctx, p, s.log); err != nil {
				return nil, nil, err
			}
		}
	}
	t, err := p.txn(ctx)
	return p, t, err
}
