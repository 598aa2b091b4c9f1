package boltstore

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	berrors "go.etcd.io/bbolt/errors"

	"posthouse/queue"
	"posthouse/queue/line"
)

const (
	maxBatch = 2000                  // ops in one transaction
	lazyWait = 20 * time.Millisecond // until a lazy op is in the log; it is synced later
	lazyMany = 64                    // lazy ops that need not wait for that
)

// call is one piece of work for the committer: carry drafts it, maybe more than once;
// if it returns an error it has drafted nothing.
type call struct {
	line.Call
	carry func(*draft) error
	alone func() error // instead of carry: runs between two commits
	then  func()       // called once it is on disk; nil for nothing
}

// size is how much of a batch a call takes: all of it, if it has to run alone.
func (c *call) size() int {
	if c.alone != nil {
		return maxBatch
	}
	return c.Ops
}

// do gives a call to the committer and waits until it is on disk. If ctx ends first it
// withdraws the call, unless the committer has begun it: then it waits for the commit,
// so that the answer is always true.
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
	select {
	case <-c.Done:
		return c.Err
	case <-ctx.Done():
		if c.Withdraw() {
			return ctx.Err()
		}
		<-c.Done
		return c.Err
	}
}

// alone runs a function in the committer between two commits.
func (s *Store) alone(ctx context.Context, f func() error) error {
	return s.do(ctx, &call{alone: f})
}

// commitLoop is the only goroutine that writes. It ends when the line is closed and
// empty.
func (s *Store) commitLoop() {
	defer close(s.stopped)
	debug.SetPanicOnFault(true)
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		batch, wait, over := s.line.Take((*call).size, maxBatch)
		s.works()
		if over {
			s.last()
			return
		}
		if s.broken() != nil && !s.isClosing() {
			s.repair()
		}
		if batch != nil {
			s.commitBatch(batch)
			continue
		}
		s.checkpointIfDue()
		s.syncIfDue()
		s.renewIfDue()
		if due, some := s.dueIn(); some && due < wait {
			wait = max(due, time.Millisecond)
		}
		if due, some := s.renewIn(); some {
			wait = min(wait, max(due, time.Millisecond))
		}
		if due, some := s.wal.looseFor(); some {
			wait = min(wait, max(line.LazyWait-due, time.Millisecond))
		}
		timer.Reset(wait)
		s.rests()
		select {
		case <-s.line.Wake():
		case <-timer.C:
		}
	}
}

// commitBatch writes a batch and answers all its callers.
func (s *Store) commitBatch(batch []*call) {
	if len(batch) == 0 {
		return
	}
	if c := batch[0]; c.alone != nil {
		c.Err = c.alone()
		close(c.Done)
		return
	}
	begun := time.Now()
	err := s.write(batch)
	if errors.Is(err, queue.ErrDamaged) && !s.isClosing() {
		if s.repair(); s.broken() == nil {
			err = s.write(batch) // the first try wrote nothing
		}
	}
	switch {
	case err != nil:
		s.failed(batch, err)
	case !lazy(batch):
		s.took(time.Since(begun))
	}
	s.answer(batch, err)
	s.tell()
	s.lastWrite = time.Now()
	if s.grown() {
		s.checkpointIfDue()
	}
}

func (s *Store) answer(batch []*call, err error) {
	for _, c := range batch {
		if err != nil {
			c.Err = err
		}
		if c.Err == nil && c.then != nil {
			c.then()
		}
		if c.Done != nil {
			close(c.Done)
		} else if c.Err != nil && err == nil {
			s.log.Warn("a lazy change was not carried out", "err", c.Err)
		}
	}
}

// complainAgain is how often the log says that nothing can be written.
const complainAgain = time.Minute

// failed keeps the lazy calls of a batch that could not be written for another try,
// unless the store is closing.
func (s *Store) failed(batch []*call, err error) {
	s.complain(err)
	var later []*call
	lost := 0
	for _, c := range batch {
		if c.Lazy {
			later, lost = append(later, c), lost+c.Ops
		}
	}
	if !s.line.GiveBack(later, line.LazyWait) {
		s.mu.Lock()
		s.closeErr = fmt.Errorf("%d changes could not be written before the stop: %w", lost, err)
		s.mu.Unlock()
	}
}

func (s *Store) complain(err error) {
	if !errors.Is(err, queue.ErrFull) {
		s.lookForAnother()
		err = s.opts.Advise(err)
	}
	s.fails(err)
	if time.Since(s.complained) > complainAgain {
		s.complained = time.Now()
		s.log.Error("writing the queue failed", "err", err)
	}
}

// write drafts a batch, writes the draft to the log, and then changes the store. What
// is too large for the log goes into the data file at once.
func (s *Store) write(batch []*call) error {
	d, err := s.draft(batch)
	if err != nil || len(d.edits) == 0 {
		return err
	}
	f, memory := d.frame(s.wal)
	if s.wal.used() > 0 && !s.wal.fits(len(f.edits)) {
		if err := s.checkpoint(); err != nil {
			return err
		}
		return s.write(batch) // on the new transaction
	}
	logged := f.mark != mark{} && s.wal.fits(len(f.edits))
	if logged {
		if err := s.wal.append(f, memory, lazy(batch)); err != nil {
			return s.explain(err)
		}
	}
	if err := s.carryOut(d); err != nil {
		if logged && errors.Is(err, queue.ErrDamaged) {
			s.repair() // which replays the log, too
			return nil
		}
		return err
	}
	if !logged {
		return s.checkpoint()
	}
	return nil
}

// draft plans a batch. Between two checkpoints the room is only estimated: before
// anything is refused for lack of it, a checkpoint measures it.
func (s *Store) draft(batch []*call) (d *draft, err error) {
	s.lookForFiles()
	if s.overdue() != nil && time.Now().After(s.retryAt) {
		if err := s.checkpoint(); err != nil {
			s.complain(err)
		}
	}
	for {
		full, freed, exact, short := false, false, false, s.isShort()
		err = s.touch(func(t *txn) error {
			d, freed, exact = newDraft(t, s.room(short), ops(batch)), t.freed, !t.changed
			for _, c := range batch {
				c.Err = c.carry(d)
				full = full || errors.Is(c.Err, queue.ErrFull)
			}
			return nil
		})
		measure := freed || !exact && !short && !s.full.Load()
		switch {
		case err != nil || !full:
			return d, err
		case !measure:
			s.full.Store(s.full.Load() || !short)
			return d, nil
		case s.checkpoint() != nil:
			return d, nil
		}
	}
}

// lazy tells whether nobody waits for a batch.
func lazy(batch []*call) bool {
	return !slices.ContainsFunc(batch, func(c *call) bool { return !c.Lazy })
}

// syncIfDue syncs lazy ops that have been in the log for too long without another
// commit.
func (s *Store) syncIfDue() {
	if since, some := s.wal.looseFor(); !some || since < line.LazyWait {
		return
	}
	begun := time.Now()
	if err := s.wal.tighten(s.wal.untied()); err != nil {
		s.complain(s.explain(err))
		return
	}
	s.took(time.Since(begun))
}

func ops(batch []*call) (n int) {
	for _, c := range batch {
		n += c.Ops
	}
	return n
}

// carryOut makes the edits of a draft.
func (s *Store) carryOut(d *draft) error {
	if s.firstChange.IsZero() {
		s.firstChange = time.Now()
	}
	return s.touch(func(t *txn) error {
		if err := d.carryOut(); err != nil {
			panic(err) // some edits are made, so there is no way back
		}
		return nil
	})
}

// tell passes on the hints where something new waits. It comes last: of all goroutines
// that a commit wakes, Go runs the last one first, and sending the text is more urgent
// than confirming it. Only the committer uses hints.
func (s *Store) tell() {
	s.watchers.tell(s.txn.hints)
	clear(s.txn.hints)
}

func (s *Store) took(d time.Duration) {
	if s.overdue() == nil {
		s.fails(nil)
	}
	if !s.complained.IsZero() && s.overdue() == nil {
		s.complained = time.Time{}
		s.log.Info("writing the queue works again")
	}
	s.opts.OnCommit(d)
	s.mu.Lock()
	s.lastCommit = d
	s.commits++
	s.mu.Unlock()
}

// explain turns errors about a lack of room into ErrFull.
func (s *Store) explain(err error) error {
	if err == nil {
		return nil
	}
	if _, full := noRoom(err); full || errors.Is(err, berrors.ErrMaxSizeReached) {
		return fmt.Errorf("%w: %w (make room on the disk of %s)", queue.ErrFull, err, s.path)
	}
	return err
}

// noRoom finds what the system says about a lack of room. bbolt passes on some errors of the
// system as text only.
func noRoom(err error) (no syscall.Errno, lacks bool) {
	for _, no := range []syscall.Errno{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG} {
		if err != nil && (errors.Is(err, no) || strings.Contains(err.Error(), no.Error())) {
			return no, true
		}
	}
	return 0, false
}
