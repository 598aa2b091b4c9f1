package boltstore

import (
	"os"
	"sync"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// file is an open data file that is closed once the last reader has left it.
type file struct {
	db      *bolt.DB
	raw     *os.File // what db has open
	readers sync.WaitGroup
	reading int // of them; the store's mu guards it
	// stuck is set when the writer met a damaged page: the locks that it held are
	// never released, so the file stays open until the process ends.
	stuck bool
}

// retire closes a file that was replaced, once its last reader has left it.
func (s *Store) retire(f *file) {
	if f.stuck {
		return
	}
	s.background.Go(func() {
		f.readers.Wait()
		_ = f.db.Close() // nobody reads or writes it any more
	})
}

// acquire gives the present file to a reader, who calls release after.
func (s *Store) acquire() (*file, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closing {
		return nil, queue.ErrClosed
	}
	if s.bad != nil {
		return nil, s.bad
	}
	s.file.readers.Add(1)
	s.file.reading++
	return s.file, nil
}

func (s *Store) release(f *file) {
	s.mu.Lock()
	f.reading--
	s.mu.Unlock()
	f.readers.Done()
}
