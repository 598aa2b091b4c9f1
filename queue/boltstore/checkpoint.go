package boltstore

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// A checkpoint commits the transaction that was opened at the last one: then the data
// file has everything, under a new mark, and the log begins anew. A page that was changed
// a hundred times is written once. Until then the changes are in memory and in the log,
// which a start replays.

// When there is a checkpoint. The rest of the log is for a time when none succeeds.
const (
	checkpointWait = time.Minute          // at the latest so long after the first change
	checkpointPart = 8                    // or when the log is full to 1/8
	calmPart       = 12                   // or to 1/12, if nothing was written
	calm           = 2 * time.Millisecond // for so long: then it delays nobody
	checkpointRoom = 1000                 // or when so many pages were changed in memory, 11 KiB each
	retryFactor    = 10                   // after a failure, so many times as long after it as it took
	retryLeast     = time.Second          // and no sooner: a disk that is read-only says so at once
)

// begin opens the transaction for the time until the next checkpoint, and replays the
// log.
func begin(f *file, w *wal, opts Options) (t *txn, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			f.stuck = true
			t, err = nil, damaged("%v", p)
		}
	}()
	tx, err := f.db.Begin(true)
	if err != nil {
		return nil, fmt.Errorf("beginning to write: %w", err)
	}
	c, err := loadCounts(tx)
	if err != nil {
		return nil, errors.Join(err, tx.Rollback())
	}
	t = newTxn(tx, &c)
	t.mark = loadMark(tx)
	t.used = usedIn(tx)
	if err := t.replay(w, opts); err != nil {
		return nil, errors.Join(err, tx.Rollback())
	}
	return t, nil
}

// replay makes the edits in the log since the checkpoint, and the loose ones if that
// checkpoint was never made.
func (t *txn) replay(w *wal, opts Options) error {
	loose := w.loose
	if err := t.replayFrames(w, opts); err != nil || loose.edits == nil || loose.mark != t.mark {
		return err
	}
	t.changed = true
	w.loosen(loose)
	return t.redo(loose)
}

func (t *txn) replayFrames(w *wal, opts Options) error {
	f, ok := w.first()
	kept := w.kept
	w.restart()
	switch stop := ok && f.commit == stopped; {
	case stop && f.mark == t.mark:
		return nil
	case ok && f.mark.number < t.mark.number && f.mark.kin(t.mark): // all is in the data file
		return nil
	case ok && !stop && f.mark.number == t.mark.number+1 && f.mark.kin(t.mark):
		return damaged("%s lacks its last checkpoint", t.tx.DB().Path())
	case ok && f.mark != t.mark:
		return t.leaveOut(f, w, opts)
	}
	frames, damage, err := w.read(t.mark, kept)
	if err != nil {
		return err
	}
	damage = damage || w.end < kept
	if damage && (kept == 0 || !w.told) {
		opts.Log.Error("the log of the queue is damaged: something that was changed since the last checkpoint is lost, what can be read is kept")
		w.setAside(opts)
	}
	w.spoiled, w.told = damage, damage
	if w.missing && t.records.Sequence() > 0 && t.mark != (mark{}) {
		opts.Log.Warn("the queue's log was missing, or a part of it: unless posthouse had been stopped, or this is a backup, what changed in the minute before is lost")
	}
	w.missing = false
	for _, f := range frames {
		if err := t.redo(f); err != nil {
			return err
		}
		t.changed = true
	}
	w.unsure = kept == 0 && len(frames) > 0 && w.again(frames[len(frames)-1]) != nil
	return nil
}

// leaveOut begins the log anew if it does not belong to the data file, which was replaced,
// for example by an old backup. The next commit is a checkpoint, since further behind there
// may be frames with the mark of such a backup.
func (t *txn) leaveOut(first frame, w *wal, opts Options) error {
	if first.commit != stopped {
		opts.Log.Error("the log of the queue is of another queue, or of a later state of this one: it is left out", "file", t.tx.DB().Path())
		w.setAside(opts)
	}
	err := w.stop(first.mark)
	w.spoiled = true
	return err
}

// checkpoint writes everything into the data file. If that fails, the transaction is
// undone, and replayed from the log. Reads wait for it.
func (s *Store) checkpoint() error {
	begun := time.Now()
	err := s.touch(func(t *txn) error {
		if !t.changed {
			s.firstChange = time.Time{} // a repair has put it into the data file
			return nil
		}
		m, err := s.commit(t)
		if err != nil {
			s.wal.keep()
		} else if t.freed {
			s.full.Store(false)
		}
		next, beginErr := begin(s.file, s.wal, s.opts)
		if beginErr != nil {
			panic(beginErr)
		}
		if err != nil && (next.mark == m || s.unsettled) {
			s.unsettle(next)
		}
		next.journal, next.hints = t.journal, t.hints
		s.txn = next
		s.compactIfDue(next.tx)
		return err
	})
	err = s.explain(err)
	s.overdueBy.Store(nil)
	if err != nil {
		s.overdueBy.Store(&err)
	}
	s.retryAt = time.Now().Add(max(retryFactor*time.Since(begun), retryLeast))
	return err
}

// commit commits the open transaction, and returns the mark of the new checkpoint.
func (s *Store) commit(t *txn) (mark, error) {
	m := t.mark.next()
	err := s.settle(t.tx)
	if err == nil {
		err = t.save(m)
	}
	if err != nil {
		return m, errors.Join(err, t.tx.Rollback())
	}
	db := s.file.db
	st := db.Stats()
	free := st.FreePageN + st.PendingPageN
	db.NoFreelistSync = !s.closing && !s.keepFreelist(t.tx, free)
	if err := s.opts.commit(t.tx); err != nil {
		return m, fmt.Errorf("writing to disk: %w", err)
	}
	s.firstChange = time.Time{}
	return m, nil
}

// unsettle notes that syncing the data file, or its name, failed: the disk may not have
// its last checkpoint. Until settle succeeds the log is left as it is, and nothing is
// confirmed.
func (s *Store) unsettle(t *txn) {
	s.unsettled, s.wal.spoiled, t.changed = true, true, true
}

// settle syncs what unsettle noted.
func (s *Store) settle(tx *bolt.Tx) error {
	if !s.unsettled {
		return nil
	}
	if err := settleFile(s.path, tx); err != nil {
		return err
	}
	s.unsettled = false
	return nil
}

// settleFile writes and syncs the newest meta page of the data file, and syncs its folder.
// Syncing alone is not enough: after a failed sync the kernel takes the page for written.
func settleFile(path string, tx *bolt.Tx) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("syncing the queue: %w", err)
	}
	page := make([]byte, tx.DB().Info().PageSize)
	at := int64(tx.ID()-1) % 2 * int64(len(page)) // of the transaction before this one
	if _, err = f.ReadAt(page, at); err == nil {
		_, err = f.WriteAt(page, at)
	}
	err = errors.Join(err, f.Sync(), f.Close(), syncDir(filepath.Dir(path)))
	if err != nil {
		return fmt.Errorf("syncing the queue: %w", err)
	}
	return nil
}

// keepFreelist tells whether to write the list of free pages with this checkpoint.
// Without it the next open after a crash has to walk the whole file, which takes long for
// a large one; with it each checkpoint writes the whole list, 4 KiB for each 512 free
// pages. Long lists may cost as many bytes as the log did; beyond that they are left out,
// until compaction has shrunk the file. Close always writes the list.
func (s *Store) keepFreelist(tx *bolt.Tx, free int) bool {
	s.forLists = min(s.forLists+s.wal.used(), mostForLists)
	list := int64(free) * freeSize
	switch {
	case tx.Size() <= smallFile || free > longFreelist && list > s.forLists:
		return false
	case free > longFreelist:
		s.forLists -= list
	}
	return true
}

const (
	smallFile    = 4 << 20 // bytes that are walked in no time
	longFreelist = 4096    // free pages: 16 MiB, and 32 KiB for their list
	freeSize     = 8       // bytes of one page in the list
	mostForLists = walSize // bytes that may be saved up for lists
)

// dueIn is how long the next checkpoint may wait; false: there is nothing to write.
func (s *Store) dueIn() (time.Duration, bool) {
	if s.firstChange.IsZero() {
		return 0, false
	}
	at := s.firstChange.Add(checkpointWait)
	switch used := s.wal.used(); {
	case s.grown() || s.wal.spoiled:
		at = time.Now()
	case used > s.opts.LogBytes/calmPart && at.After(s.lastWrite.Add(calm)):
		at = s.lastWrite.Add(calm) // by then what was just stored has been sent
	}
	if s.overdue() != nil && at.Before(s.retryAt) {
		at = s.retryAt
	}
	return time.Until(at), true
}

// grown tells whether much waits for the data file, in the log or in memory: texts between
// many stations change a page each. Only the committer calls it.
func (s *Store) grown() bool {
	if s.wal.used() > s.opts.LogBytes/checkpointPart {
		return true
	}
	s.mu.Lock() // reads change these figures, too
	defer s.mu.Unlock()
	figures := s.txn.tx.Stats()
	return figures.GetNodeCount() > checkpointRoom
}

// checkpointIfDue makes a checkpoint if it is time for one, and logs a failure.
func (s *Store) checkpointIfDue() {
	wait, some := s.dueIn()
	if !some || wait > 0 || s.broken() != nil {
		return
	}
	if err := s.checkpoint(); err != nil {
		s.complain(err)
	} else {
		s.fails(nil)
	}
}

// last makes the last checkpoint. If it fails the next start replays the log.
func (s *Store) last() error {
	if s.broken() != nil {
		return nil
	}
	err := s.touch(func(t *txn) error {
		m, err := s.commit(t)
		if err == nil {
			err = saveFreelist(s.file.db) // which also writes the second meta page: one may break
		}
		if err != nil {
			return err
		}
		return s.wal.stop(m)
	})
	if errors.Is(err, queue.ErrDamaged) {
		return nil // Close says so
	}
	if err != nil {
		s.log.Warn("the queue's log could not be put into its file before the end; the next start does that", "err", err)
	}
	return nil
}
