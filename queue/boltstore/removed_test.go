//go:build unix

package boltstore

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// Somebody removes the files, or their whole folder, while they are in use: nothing new is
// taken over, and all that was is there again after Close.
func TestFilesAreRemovedWhileInUse(t *testing.T) {
	for name, remove := range map[string]func(dir string) error{
		"the folder":   os.RemoveAll,
		"the file":     func(dir string) error { return os.Remove(filepath.Join(dir, "queue.db")) },
		"only the log": func(dir string) error { return os.Remove(filepath.Join(dir, "queue.db"+logExt)) },
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "data")
			s := openIn(t, dir, Options{})
			applyEach(t, s, 0, 10)
			if err := remove(dir); err != nil {
				t.Fatal(err)
			}
			if _, err := s.Apply(t.Context(), queue.Op{New: sample(10)}); err == nil {
				t.Error("a text was taken over")
			}
			select {
			case <-s.Removed():
			default:
				t.Error("nobody is told")
			}
			if s.Healthy() == nil {
				t.Error("the store is called healthy")
			}
			receipt := sample(11)
			receipt.Message.Kind = message.Receipt
			if _, err := s.Apply(t.Context(), queue.Op{New: receipt}); err != nil { // it may empty the store
				t.Error(err)
			}
			closeStore(t, s)
			s = openIn(t, dir, Options{})
			defer closeStore(t, s)
			if n := len(all(t, s)); n != 11 {
				t.Errorf("%d records are there again, want 11", n)
			}
			applyEach(t, s, 12, 1)
			verified(t, s)
		})
	}
}

// A disk falls off, gives errors for ever, and is mounted again in its place (umount(8),
// --lazy): what the store has open is not what lies there now. It says so, and leaves that
// alone.
func TestTheDiskIsMountedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(t.TempDir(), "queue.db")
		o, fails, _ := failing()
		s := openIn(t, filepath.Dir(path), o)
		told := func() bool {
			time.Sleep(2 * checkpointWait)
			synctest.Wait()
			select {
			case <-s.Removed():
				return true
			default:
				return false
			}
		}
		fails.Store(true)
		applyEach(t, s, 0, 1)
		if told() {
			t.Error("it fails in its place, and is called removed")
		}
		if err := os.Rename(path, path+".before"); err != nil {
			t.Fatal(err)
		}
		if told() {
			t.Error("nothing is mounted yet, and it is called removed")
		}
		const there = "what the disk holds now"
		if err := os.WriteFile(path, []byte(there), 0o600); err != nil {
			t.Fatal(err)
		}
		if !told() {
			t.Error("nobody is told")
		}
		if s.Healthy() == nil {
			t.Error("the store is called healthy")
		}
		closeStore(t, s)
		if b, err := os.ReadFile(path); err != nil || string(b) != there {
			t.Errorf("in its place is %.20q, %v", b, err)
		}
	})
}

// Of a file system that has ended, such as one in user space, not even the state of an open
// file can be asked (ENOTCONN); of a closed one neither.
func TestAFileOfWhichNothingCanBeAsked(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "queue.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	s := &Store{path: f.Name(), log: slog.New(slog.DiscardHandler), file: &file{raw: f}, removed: make(chan struct{})}
	if !s.lookForAnother() {
		t.Error("what lies in its place is taken for it")
	}
}

// What lies in the place of a removed file is left there.
func TestAnotherFileLiesInThePlaceOfARemovedOne(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{})
	applyEach(t, s, 0, 10)
	path := filepath.Join(dir, "queue.db")
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("a backup"), 0o600); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if b, err := os.ReadFile(path); err != nil || string(b) != "a backup" {
		t.Errorf("in its place is %q, %v", b, err)
	}
	aside, _ := filepath.Glob(filepath.Join(dir, "queue.removed-*.db"))
	if len(aside) != 1 {
		t.Fatalf("%q are beside it", aside)
	}
	if err := os.Rename(aside[0], path); err != nil {
		t.Fatal(err)
	}
	s = openIn(t, dir, Options{})
	defer closeStore(t, s)
	if n := len(all(t, s)); n != 10 {
		t.Errorf("%d records are in it, want 10", n)
	}
}
