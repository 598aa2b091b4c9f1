//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"posthouse/queue"
	"posthouse/queue/line"
)

const (
	retry = time.Second // between two tries to write
	// patience is how long a caller waits while etcd does not answer.
	patience = 8 * time.Second
	// grace is how long it waits further for what has been begun.
	grace = 2 * time.Second
)

// call is one Apply for the committer.
type call struct {
	line.Call
	steps []*step
	left  atomic.Bool // its caller has been told that nobody knows: it is not begun again
}

func newCall(lazy bool, steps ...*step) *call {
	return &call{Call: line.Call{Ops: len(steps), Lazy: lazy}, steps: steps}
}

// keys is about how much room a call takes in a transaction.
func (c *call) keys() (n int) {
	for _, st := range c.steps {
		n += st.keys()
	}
	return n
}

// giveBack has what of a batch was lazy and failed tried again, without what of it is
// done. When there is no later, it returns how many ops are lost.
func (s *Store) giveBack(batch []*call) (lost int) {
	var lazy []*call
	for _, c := range batch {
		if c.Lazy && c.Err != nil {
			c.steps = slices.DeleteFunc(c.steps, func(st *step) bool { return st.over })
			c.Ops = len(c.steps)
			lazy, lost = append(lazy, c), lost+c.Ops
		}
	}
	if s.line.GiveBack(lazy, retry) {
		return 0
	}
	return lost
}

// do hands a call to the committer and waits until it is with a majority. When
// ctx ends first, or etcd does not answer for too long, a call that the committer
// has not begun is withdrawn. One that it has begun is waited for a little
// longer, then nobody knows what becomes of it.
func (s *Store) do(ctx context.Context, c *call) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if c.Lazy {
		return s.line.Add(c)
	}
	c.Done = make(chan struct{})
	if err := s.line.Add(c); err != nil {
		return err
	}
	enough := time.NewTimer(patience)
	defer enough.Stop()
	why := error(nil)
	select {
	case <-c.Done:
		return c.Err
	case <-ctx.Done():
		why = ctx.Err()
	case <-enough.C:
		why = s.unreachable()
	case <-s.session.part.Done(): // the links are to be closed now, and wait for this
		why = errFenced
	}
	if c.Withdraw() {
		return why
	}
	enough.Reset(grace)
	select {
	case <-c.Done:
		return c.Err
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
		batch, wait, over := s.line.Take((*call).keys, maxKeys)
		if over {
			return
		}
		if batch != nil {
			s.commitBatch(batch)
			continue
		}
		timer.Reset(wait)
		select {
		case <-s.line.Wake():
		case <-timer.C:
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
		c.Err = nil
	}
	for _, pieces := range portions(batch) {
		s.carry(pieces)
	}
	var err error
	for _, c := range batch {
		err = errors.Join(err, c.Err)
	}
	s.took(time.Since(begun), err)
	if lost := s.giveBack(batch); lost > 0 {
		s.lost(lost, err)
	}
	for _, c := range batch {
		if c.Done != nil {
			close(c.Done)
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
			p.Err = errors.Join(p.Err, err)
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
		p.Err = fmt.Errorf("one op is %w", errTooMuch)
		return
	}
	s.carry([]piece{{p.call, p.steps[:n/2]}})
	s.carry([]piece{{p.call, p.steps[n/2:]}})
}

// alive leaves out what has failed or was left by its caller.
func alive(pieces []piece) (rest []piece) {
	for _, p := range pieces {
		switch {
		case p.Err != nil:
		case p.left.Load():
			p.Err = queue.ErrUncertain
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
