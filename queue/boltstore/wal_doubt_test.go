package boltstore

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// applyEach commits n records, one at a time.
func applyEach(t *testing.T, s *Store, from, n int) {
	t.Helper()
	for i := range n {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(from + i)}); err != nil {
			t.Fatal(err)
		}
	}
}

// failing gives options under which the next checkpoint reports an error when
// told to: before it has written anything, or after all of it.
func failing() (o Options, before, after *atomic.Bool) {
	before, after = new(atomic.Bool), new(atomic.Bool)
	o = Options{NoSync: true, commit: func(tx *bolt.Tx) error {
		if before.Load() {
			return errors.Join(errPulled, tx.Rollback())
		}
		err := tx.Commit()
		if after.Load() {
			err = errors.Join(err, errPulled)
		}
		return err
	}}
	return o, before, after
}

var errPulled = errors.New("the card was pulled out")

// TestOldBackupBesideALog: a backup that was put in the place of the data file,
// by hand, gets nothing that the log still has of the time after it: not at once,
// and not after a crash, when its own frames lie before those.
func TestOldBackupBesideALog(t *testing.T) {
	for name, stop := range map[string]bool{"after a stop": true, "after a crash": false} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := openIn(t, dir, Options{NoSync: true})
			fill(t, s, 5)
			settle(t, s)
			backup := readDisk(t, dir).data
			applyEach(t, s, 100, 30) // a long lap of the log
			settle(t, s)
			applyEach(t, s, 200, 1)
			settle(t, s)
			applyEach(t, s, 300, 1)
			d := readDisk(t, dir)
			closeStore(t, s)
			if stop {
				d = readDisk(t, dir)
			}
			d.data = backup
			c, cdir := d.reopened(t, Options{})
			applyEach(t, c, 400, 2)
			crashed := readDisk(t, cdir)
			closeStore(t, c)
			again, adir := crashed.reopened(t, Options{})
			defer closeStore(t, again)
			got := all(t, again)
			if len(got) != 7 || got[6].Message.Text != sample(400).Message.Text {
				t.Errorf("%d records, want the 5 of the backup and 2", len(got))
			}
			verified(t, again)
			if names, _ := filepath.Glob(filepath.Join(adir, "queue.damaged-*")); len(names) != 0 {
				t.Errorf("set aside: %v", names)
			}
		})
	}
}

// TestForeignLogIsCopiedOnce: a log of another queue is left out, whatever the
// number of its checkpoints; starts that change nothing do not copy it again.
func TestForeignLogIsCopiedOnce(t *testing.T) {
	for _, ahead := range []int{-1, 0, 1, 5} {
		here, there := t.TempDir(), t.TempDir()
		a, b := openIn(t, here, Options{NoSync: true}), openIn(t, there, Options{NoSync: true})
		for range 4 {
			applyEach(t, a, 0, 1)
			settle(t, a)
		}
		for range 4 + ahead {
			applyEach(t, b, 500, 1)
			settle(t, b)
		}
		applyEach(t, b, 600, 3)
		d := disk{readDisk(t, here).data, readDisk(t, there).log}
		closeStore(t, a)
		closeStore(t, b)
		c, dir := d.reopened(t, Options{})
		if n := len(all(t, c)); n != 4 {
			t.Errorf("%d ahead: %d records, want 4", ahead, n)
		}
		crashed := readDisk(t, dir)
		closeStore(t, c)
		crashed.put(t, dir)
		c = openIn(t, dir, Options{NoSync: true})
		if n := len(all(t, c)); n != 4 {
			t.Errorf("%d ahead, second start: %d records, want 4", ahead, n)
		}
		closeStore(t, c)
		if names, _ := filepath.Glob(filepath.Join(dir, "queue.damaged-*")); len(names) != 1 {
			t.Errorf("%d ahead: set aside: %v", ahead, names)
		}
	}
}

// TestCheckpointThatMayNotLast: the data file shows a checkpoint whose sync
// failed. What is confirmed afterwards lasts also if the disk never got it.
func TestCheckpointThatMayNotLast(t *testing.T) {
	dir := t.TempDir()
	opts, _, after := failing()
	s := openIn(t, dir, opts)
	defer closeStore(t, s)
	fill(t, s, 5)
	settle(t, s)
	applyEach(t, s, 100, 3)
	before := readDisk(t, dir)
	after.Store(true)
	if err := s.alone(t.Context(), s.checkpoint); !errors.Is(err, errPulled) {
		t.Fatalf("checkpoint: %v", err)
	}
	receipt := func() error {
		_, err := s.Apply(t.Context(), queue.Op{New: sample(200), Urgent: true})
		return err
	}
	if err := receipt(); !errors.Is(err, errPulled) {
		t.Errorf("Apply while syncs fail: %v", err)
	}
	now := readDisk(t, dir)
	if !bytes.Equal(before.log, now.log) {
		t.Error("the log was written over")
	}
	for name, d := range map[string]disk{"the data file from before": {before.data, now.log}, "with all that was written": now} {
		c, _ := d.reopened(t, Options{})
		if n := len(all(t, c)); n < 8 {
			t.Errorf("%s: %d records after a power cut, want 8", name, n)
		}
		verified(t, c)
		closeStore(t, c)
	}
	after.Store(false)
	if err := receipt(); err != nil {
		t.Errorf("Apply once syncs work: %v", err)
	}
	applyEach(t, s, 300, 2)
	c, _ := readDisk(t, dir).reopened(t, Options{})
	defer closeStore(t, c)
	if n := len(all(t, c)); n != len(all(t, s)) || n < 11 {
		t.Errorf("%d records, want %d", n, len(all(t, s)))
	}
	verified(t, c)
}

// TestNothingIsConfirmedUntilSettled: as long as the data file's folder or meta
// page cannot be synced after a failure, each commit fails.
func TestNothingIsConfirmedUntilSettled(t *testing.T) {
	dir := t.TempDir()
	opts, _, after := failing()
	s := openIn(t, dir, opts)
	fill(t, s, 5)
	after.Store(true)
	if err := s.alone(t.Context(), s.checkpoint); !errors.Is(err, errPulled) {
		t.Fatalf("checkpoint: %v", err)
	}
	after.Store(false)
	elsewhere := dir + ".gone"
	if err := os.Rename(dir, elsewhere); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(100), Urgent: true}); err == nil {
			t.Fatal("a commit was confirmed")
		}
	}
	if err := os.Rename(elsewhere, dir); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(100), Urgent: true}); err != nil {
		t.Errorf("Apply once it can be synced: %v", err)
	}
	closeStore(t, s)
	c := openIn(t, dir, Options{})
	defer closeStore(t, c)
	if n := len(all(t, c)); n != 6 {
		t.Errorf("%d records, want 6", n)
	}
	verified(t, c)
}

// TestDamagedLogAndNoCheckpoint: what lies behind the damage of a log is not lost
// when the checkpoint that is to save it fails, and one copy is kept.
func TestDamagedLogAndNoCheckpoint(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, 5)
	settle(t, s)
	applyEach(t, s, 100, 9)
	d := readDisk(t, dir)
	closeStore(t, s)
	d.log[walHead+frameHead+20] ^= 1 // in the first frame
	opts, before, _ := failing()
	before.Store(true)
	c, cdir := d.reopened(t, opts)
	for range 3 {
		if _, err := c.Apply(t.Context(), queue.Op{New: sample(200), Urgent: true}); !errors.Is(err, errPulled) {
			t.Fatalf("Apply: %v", err)
		}
		if n := len(all(t, c)); n != 13 {
			t.Fatalf("%d records, want 13", n)
		}
	}
	if names, _ := filepath.Glob(filepath.Join(cdir, "queue.damaged-*")); len(names) != 1 {
		t.Errorf("set aside: %v", names)
	}
	before.Store(false)
	if _, err := c.Apply(t.Context(), queue.Op{New: sample(200)}); err != nil && !errors.Is(err, errPulled) { // it is tried again soon
		t.Errorf("Apply: %v", err)
	}
	if err := c.alone(t.Context(), c.checkpoint); err != nil {
		t.Errorf("checkpoint: %v", err)
	}
	verified(t, c)
	closeStore(t, c)
}

// TestMissingLog: the data file is good as it was at the last checkpoint, and a
// line says that something may be lost; after a stop nothing is.
func TestMissingLog(t *testing.T) {
	dir, was := damagedDir(t, 50)
	if err := os.Remove(filepath.Join(dir, "queue.db"+logExt)); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	s, err := Open(filepath.Join(dir, "queue.db"), Options{NoSync: true, MinFree: -1, Log: textLog(&out)})
	if err != nil {
		t.Fatal(err)
	}
	defer closeStore(t, s)
	sameRecords(t, all(t, s), was)
	if n := strings.Count(out.String(), "log was missing"); n != 1 {
		t.Errorf("said %d times, want once:\n%s", n, &out)
	}
	fresh := t.TempDir()
	out.Reset()
	f, err := Open(filepath.Join(fresh, "queue.db"), Options{NoSync: true, MinFree: -1, Log: textLog(&out)})
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, f)
	if out.Len() > 0 {
		t.Errorf("a new queue complains: %s", &out)
	}
}

// TestMetaPageBreaksWhileStopped: after a stop either meta page leads to
// everything.
func TestMetaPageBreaksWhileStopped(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, 5)
	settle(t, s)
	applyEach(t, s, 100, 3)
	closeStore(t, s)
	d := readDisk(t, dir)
	for page := range 2 {
		broken := disk{slices.Clone(d.data), d.log}
		broken.data[page*4096+pageHeader+20] ^= 1
		c, _ := broken.reopened(t, Options{})
		if n := len(all(t, c)); n != 8 {
			t.Errorf("without page %d: %d records, want 8", page, n)
		}
		verified(t, c)
		closeStore(t, c)
	}
}

// TestLogThatWasNotSynced: a start has the disk take the last frame of the log anew, as
// a sync of it may have failed before the last process ended. If that fails, the data
// file gets what the log has before anybody hears that it is there.
func TestLogThatWasNotSynced(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, 5)
	settle(t, s)
	applyEach(t, s, 100, 2)
	d := readDisk(t, dir)
	closeStore(t, s)
	for _, logFails := range []bool{false, true} {
		for _, fileFails := range []bool{false, true} {
			s, err := d.startedAfterAFailure(t, dir, logFails, fileFails)
			if want := logFails && fileFails; errors.Is(err, errPulled) != want {
				t.Fatalf("Open, log fails: %t, checkpoint fails: %t: %v", logFails, fileFails, err)
			}
			if err != nil {
				continue
			}
			now := readDisk(t, dir)
			if logFails {
				clear(now.log[walHead:])
			}
			c, _ := now.reopened(t, Options{})
			if n := len(all(t, c)); n != 7 {
				t.Errorf("log fails: %t: %d records after a power cut, want 7", logFails, n)
			}
			verified(t, c)
			closeStore(t, c)
			closeStore(t, s)
		}
	}
}

// startedAfterAFailure opens a store whose log was written long ago, and checks that it
// is written once more before it is synced.
func (d disk) startedAfterAFailure(t *testing.T, dir string, logFails, fileFails bool) (*Store, error) {
	t.Helper()
	opts, before, _ := failing()
	opts.MinFree, opts.LogBytes = -1, walHead+mib
	long, written := time.Unix(0, 0), false
	opts.sync = func(f *os.File) error {
		info, err := f.Stat()
		if written = err == nil && info.ModTime().After(long); logFails {
			return errPulled
		}
		return err
	}
	d.put(t, dir)
	log := filepath.Join(dir, "queue.db"+logExt)
	if err := errors.Join(os.Truncate(log, opts.LogBytes), os.Chtimes(log, long, long)); err != nil {
		t.Fatal(err)
	}
	before.Store(fileFails)
	s, err := Open(filepath.Join(dir, "queue.db"), opts)
	before.Store(false)
	if !written {
		t.Error("the log was synced, and not written before")
	}
	return s, err
}

// TestLogRotsAndNoCheckpoint: a frame that cannot be read back after a checkpoint that
// failed is told of, the last one too, and once.
func TestLogRotsAndNoCheckpoint(t *testing.T) {
	for name, nth := range map[string]int{"the first": 0, "the last": 2} {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			dir := t.TempDir()
			opts, before, _ := failing()
			opts.MinFree, opts.Log = -1, textLog(&out)
			s, err := Open(filepath.Join(dir, "queue.db"), opts)
			if err != nil {
				t.Fatal(err)
			}
			defer closeStore(t, s)
			fill(t, s, 5)
			settle(t, s)
			var at []int64
			for i := range 3 {
				at = append(at, s.walEnd(t))
				applyEach(t, s, 100+i, 1)
			}
			f, err := os.OpenFile(filepath.Join(dir, "queue.db"+logExt), os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteAt([]byte("rotten"), at[nth]+frameHead); err != nil {
				t.Fatal(err)
			}
			f.Close()
			before.Store(true)
			for range 3 {
				if err := s.alone(t.Context(), s.checkpoint); !errors.Is(err, errPulled) {
					t.Fatalf("checkpoint: %v", err)
				}
			}
			if n := len(all(t, s)); n != 7 {
				t.Errorf("%d records, want 7", n)
			}
			before.Store(false)
			if n := strings.Count(out.String(), "the log of the queue is damaged"); n != 1 {
				t.Errorf("said %d times, want once:\n%s", n, &out)
			}
			verified(t, s)
		})
	}
}
