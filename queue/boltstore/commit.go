package boltstore

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"posthouse/queue"
)

const (
	maxBatch = 2000            // ops in one transaction
	lazyWait = 5 * time.Second // the longest that a lazy op waits for company
	lazyMany = 1000            // lazy ops that are reason enough for a commit
	maxLazy  = 20000           // lazy ops that are kept while nothing can be written
)

// call is one piece of work for the committer: carry runs inside a transaction,
// maybe more than once; an error from it undoes that call alone.
type call struct {
	carry func(*txn) error
	alone func() error // instead of carry: runs between two transactions
	then  func()       // called once it is on disk; nil for nothing
	ops   int
	lazy  bool

	queued  time.Time
	claimed atomic.Bool // by the committer, or by a caller who gave up
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
	case c.lazy && l.lazy+c.ops > maxLazy:
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
	l.lazy += sign * c.ops
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
	batch = []*call{} // may stay empty: every caller gave up
	n := 0
	for ops := 0; n < len(l.calls); n++ {
		c := l.calls[n]
		if n > 0 && (ops+c.ops > maxBatch || c.alone != nil || l.calls[0].alone != nil) {
			break
		}
		ops += c.ops
		l.counted(c, -1)
		if c.lazy || c.claimed.CompareAndSwap(false, true) {
			batch = append(batch, c)
		}
	}
	if l.calls = l.calls[n:]; len(l.calls) == 0 {
		l.calls = nil // let go of the array
	}
	for _, c := range l.calls {
		if c.lazy {
			l.since = c.queued
			break
		}
	}
	if n == 0 {
		return nil, 0, l.closed
	}
	return batch, 0, false
}

// giveBack puts lazy calls in front again, after a commit that failed. On a
// closed line there is no later: it returns how many are lost.
func (l *line) giveBack(calls []*call) (lost int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var lazy []*call
	for _, c := range calls {
		switch {
		case !c.lazy:
		case l.closed:
			lost++
		default:
			lazy = append(lazy, c)
			l.counted(c, +1)
		}
	}
	l.calls = append(lazy, l.calls...)
	l.since = time.Now() // the pause before the next try
	return lost
}

func (l *line) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.ring()
}

// do hands work to the committer and waits until it is on disk. When ctx ends
// first, work that the committer has not begun is withdrawn; begun work is
// waited for, which takes a commit, so that the answer is always true.
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
	select {
	case <-c.done:
		return c.err
	case <-ctx.Done():
		if c.claimed.CompareAndSwap(false, true) {
			return ctx.Err()
		}
		<-c.done
		return c.err
	}
}

// alone runs a function in the committer between two transactions.
func (s *Store) alone(ctx context.Context, f func() error) error {
	return s.do(ctx, &call{alone: f})
}

// commitLoop is the one goroutine that writes. It ends when the line is closed
// and what was in it is written.
func (s *Store) commitLoop() {
	defer close(s.stopped)
	debug.SetPanicOnFault(true)
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		batch, wait, over := s.line.take()
		if over {
			return
		}
		if s.broken() != nil && !s.isClosing() {
			s.repair()
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
	if c := batch[0]; c.alone != nil {
		c.err = c.alone()
		close(c.done)
		return
	}
	begun := time.Now()
	err := s.write(batch)
	if errors.Is(err, queue.ErrDamaged) && !s.isClosing() {
		if s.repair(); s.broken() == nil {
			err = s.write(batch) // a commit that met a damaged page wrote nothing
		}
	}
	if err == nil {
		s.took(time.Since(begun))
	} else {
		s.failed(batch, err)
	}
	for _, c := range batch {
		if err != nil {
			c.err = err
		}
		if c.err == nil && c.then != nil {
			c.then()
		}
		if c.done != nil {
			close(c.done)
		} else if c.err != nil && err == nil {
			s.log.Warn("a lazy change was not carried out", "err", c.err)
		}
	}
}

// complainAgain is how often the log says that nothing can be written.
const complainAgain = time.Minute

// failed keeps the lazy calls of a batch that could not be written, for as long
// as there is a later.
func (s *Store) failed(batch []*call, err error) {
	if time.Since(s.complained) > complainAgain {
		s.complained = time.Now()
		s.log.Error("writing the queue failed", "err", err)
	}
	if lost := s.line.giveBack(batch); lost > 0 {
		s.mu.Lock()
		s.closeErr = fmt.Errorf("%d changes could not be written before the end: %w", lost, err)
		s.mu.Unlock()
	}
}

// write carries a batch out in one transaction. A call that fails is answered
// on its own, and the others are carried out without it.
func (s *Store) write(batch []*call) error {
	if err := s.broken(); err != nil {
		return err
	}
	todo := batch
	for {
		bad, err := s.try(todo)
		if bad == nil {
			return s.explain(err)
		}
		bad.err = err
		todo = without(todo, bad)
		if len(todo) == 0 {
			return nil
		}
	}
}

func without(calls []*call, bad *call) []*call {
	rest := make([]*call, 0, len(calls)-1)
	for _, c := range calls {
		if c != bad {
			rest = append(rest, c)
		}
	}
	return rest
}

// try runs one transaction. When a call is to blame for the failure, it is
// returned with its error and nothing was written.
//
// A panic or a memory fault in here is a damaged file. The transaction is then
// left as it is, without a rollback: bbolt would read the damaged pages again
// for that, in a goroutine of its own where no panic can be caught.
func (s *Store) try(calls []*call) (bad *call, err error) {
	f := s.file // only the committer replaces it
	db := f.db
	defer func() {
		if p := recover(); p != nil {
			f.stuck = true
			bad, err = nil, s.breakDown(f, p)
		}
	}()
	tx, err := db.Begin(true)
	if err != nil {
		return nil, fmt.Errorf("beginning to write: %w", err)
	}
	t := newTxn(tx, &s.counts)
	t.full, t.journal = s.fullness(tx), s.journal
	for _, c := range calls {
		var no *refusal
		if c.err = c.carry(t); errors.As(c.err, &no) {
			c.err = no.err
		} else if c.err != nil {
			return c, errors.Join(c.err, tx.Rollback())
		}
	}
	if err := t.saveCounts(); err != nil {
		return nil, errors.Join(err, tx.Rollback())
	}
	st := db.Stats()
	free := st.FreePageN + st.PendingPageN
	db.NoFreelistSync = !keepFreelist(tx, free)
	s.compactIfDue(tx, free)
	if err := tx.Commit(); err != nil {
		return nil, fmt.Errorf("writing to disk: %w", err)
	}
	s.remember(t)
	return nil, nil
}

// keepFreelist tells whether to write the list of free pages with this commit.
// Without it the next open after a crash has to walk the whole file, which a
// small file does not mind and a large one does; with it each commit writes the
// list anew, 4 KiB for each 512 free pages. A list that has grown too long is
// left out until compaction has shrunk the file. Close always writes it.
func keepFreelist(tx *bolt.Tx, free int) bool {
	return tx.Size() > smallFile && free <= longFreelist
}

const (
	smallFile    = 4 << 20 // bytes that are walked in no time
	longFreelist = 4096    // free pages: 16 MiB, and 32 KiB a commit to list them
)

// remember takes over what a transaction meant, once it is on disk.
func (s *Store) remember(t *txn) {
	s.mu.Lock()
	s.counts = t.counts
	s.mu.Unlock()
	s.watchers.tell(t.hints)
}

func (s *Store) took(d time.Duration) {
	if !s.complained.IsZero() {
		s.complained = time.Time{}
		s.log.Info("writing the queue works again")
	}
	s.opts.OnCommit(d)
	s.mu.Lock()
	s.lastCommit = d
	s.commits++
	s.mu.Unlock()
}

// explain turns what bbolt and the system say about a lack of room into ErrFull.
// bbolt passes some errors of the system on as text only.
func (s *Store) explain(err error) error {
	if err == nil {
		return nil
	}
	full := errors.Is(err, berrors.ErrMaxSizeReached)
	for _, no := range []syscall.Errno{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG} {
		full = full || errors.Is(err, no) || strings.HasSuffix(err.Error(), no.Error())
	}
	if full {
		return fmt.Errorf("%w: %w (make room on the disk of %s)", queue.ErrFull, err, s.path)
	}
	return err
}
