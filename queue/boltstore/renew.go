package boltstore

import (
	"errors"
	"fmt"
	"os"
	"time"
)

// For as long as a file is open bbolt remembers of each page which transaction wrote
// it: after a million texts some MiB that nobody asks for. So a file of which much was
// written is opened anew in a moment without traffic. Reads and writes wait for that
// some 10 ms.

const (
	wornPages  = 32 * 1024              // that bbolt remembers, in 1 MiB or so
	renewCalm  = 500 * time.Millisecond // without a write before
	renewAgain = time.Hour              // after a try that came to nothing
)

// worn tells whether bbolt remembers many pages. It remembers each once, however
// often that was written. Only the committer asks.
func (s *Store) worn() bool {
	db := s.file.db
	if st := db.Stats(); st.TxStats.GetPageCount() <= s.opts.worn {
		return false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bad == nil && s.txn.tx.Size() > s.opts.worn*int64(db.Info().PageSize)
}

// renewIn tells how long a worn file stays open. One whose list of free pages is not
// on the disk does: it would have to be read whole.
func (s *Store) renewIn() (time.Duration, bool) {
	if s.file.db.NoFreelistSync || s.overdue() != nil || s.unsettled || !s.worn() {
		return 0, false
	}
	at := s.lastWrite.Add(renewCalm)
	if at.Before(s.renewAt) {
		at = s.renewAt
	}
	return time.Until(at), true
}

// renewIfDue opens a worn file anew when it is time.
func (s *Store) renewIfDue() {
	if wait, worn := s.renewIn(); !worn || wait > 0 {
		return
	}
	s.renewAt = time.Now().Add(renewAgain)
	if err := s.renew(); err != nil {
		s.log.Warn("the queue's file could not be opened anew to save memory; it goes on as it is", "err", err)
	}
}

func (s *Store) renew() error {
	if err := s.checkpoint(); err != nil {
		return err
	}
	return s.touch(func(t *txn) error {
		old := s.file
		if old.reading > 0 || old.db.NoFreelistSync {
			return nil
		}
		fresh, err := old.again(s.path, s.opts)
		if err != nil {
			return err
		}
		next, err := begin(fresh, s.wal, s.opts)
		if err != nil {
			s.retire(fresh)
			return errors.Join(err, relock(old.raw))
		}
		next.journal, next.hints = t.journal, t.hints
		s.file, s.txn = fresh, next
		s.retire(old)
		return t.tx.Rollback() // nothing was changed in it
	})
}

// again opens the same file a second time.
func (f *file) again(path string, opts Options) (*file, error) {
	if err := unlock(f.raw); err != nil {
		return nil, fmt.Errorf("unlocking %s: %w", path, err)
	}
	fresh, err := openWith(path, opts, func(name string, flag int, mode os.FileMode) (*os.File, error) {
		raw, err := os.OpenFile(name, flag&^os.O_CREATE, mode)
		if err != nil {
			return nil, err
		}
		if err := f.isSame(raw); err != nil {
			return nil, errors.Join(err, raw.Close())
		}
		return raw, nil
	})
	if err != nil {
		return nil, errors.Join(err, relock(f.raw))
	}
	return fresh, nil
}

// isSame gives an error when another file lies in its place now.
func (f *file) isSame(other *os.File) error {
	was, err := f.raw.Stat()
	if err != nil {
		return err
	}
	is, err := other.Stat()
	if err != nil {
		return err
	}
	if !os.SameFile(was, is) {
		return fmt.Errorf("%s is another file now", other.Name())
	}
	return nil
}
