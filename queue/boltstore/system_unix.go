//go:build unix

package boltstore

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// lockFile takes a lock that ends with the process. It has a file of its own, since the
// data file is replaced when it is compacted or repaired.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("opening the lock of the queue: %w", err)
	}
	for end := time.Now().Add(lockWait); ; time.Sleep(50 * time.Millisecond) {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return f, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) || time.Now().After(end) {
			break
		}
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = fmt.Errorf("another posthouse uses this folder: %s: stop it first, or set POSTHOUSE_DATA_DIR to another folder", filepath.Dir(path))
	} else {
		err = fmt.Errorf("locking %s: %w", path, err)
	}
	return nil, errors.Join(err, f.Close())
}

// names counts the names of a file.
func names(info os.FileInfo) uint64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Nlink)
	}
	return 1
}

// unlock and relock give and take bbolt's own lock of a file, which does not let
// this process open it a second time. Others are kept away by lockFile.
func unlock(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) }

func relock(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) }
