package boltstore

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue/line"
)

// Backup writes a consistent copy of the data file, complete without the log, while the
// store works. A slow writer keeps pages from being reused, so that the file grows.
func (s *Store) Backup(w io.Writer) error {
	f, err := s.acquire()
	if err != nil {
		return err
	}
	defer s.release(f)
	var tx *bolt.Tx
	err = s.alone(context.Background(), func() (err error) {
		if s.file != f {
			return errReplaced
		}
		if err := s.checkpoint(); err != nil {
			return err
		}
		tx, err = f.db.Begin(false)
		return err
	})
	if err != nil {
		return fmt.Errorf("copying the queue: %w", err)
	}
	if _, err = tx.WriteTo(w); err != nil {
		err = fmt.Errorf("copying the queue: %w", err)
	}
	return errors.Join(err, tx.Rollback())
}

var errReplaced = errors.New("the file was replaced meanwhile")

// Unpack makes a store at path from what Backup wrote; there must be none yet. It is
// complete once Close has returned without an error.
func Unpack(path string) (io.WriteCloser, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("unpacking the queue: %w", err)
	}
	return unpacking{f}, nil
}

type unpacking struct{ *os.File }

func (u unpacking) Close() error { return errors.Join(u.Sync(), u.File.Close()) }

// Lock locks the store at path, as Open does, without opening it, until the lock is
// closed.
func Lock(path string) (io.Closer, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("making the folder of the queue: %w", err)
	}
	return lockFile(path + ".lock")
}

// Move moves the store at from, which nobody may have open, to another path on the same
// file system; if there is none that is no error. The caller holds the Lock of both.
func Move(from, to string) error {
	for _, ext := range []string{"", logExt} { // after a crash in between the next try moves the log
		if err := os.Rename(from+ext, to+ext); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("moving the queue: %w", err)
		}
	}
	return errors.Join(syncDir(filepath.Dir(from)), syncDir(filepath.Dir(to)))
}

// Skip skips numbers, so that the next record has at least the number first.
func (s *Store) Skip(ctx context.Context, first uint64) error {
	return s.do(ctx, &call{Call: line.Call{Ops: 1}, carry: func(d *draft) error {
		if d.last+1 < first {
			d.last = first - 1
			d.edits = append(d.edits, edit{what: skipTo, seq: d.last})
		}
		return nil
	}})
}

// Last is the highest number that was ever used.
func (s *Store) Last(ctx context.Context) (last uint64, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		last = tx.Bucket(recordBucket).Sequence()
		return nil
	})
	return last, err
}
