//go:build linux

package boltstore

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// TestDiskFull: on a full disk New gets ErrFull, reads go on, lazy ops are kept,
// nothing acknowledged is lost; with room the same store works again.
func TestDiskFull(t *testing.T) {
	t.Run("file system of 24 MiB", func(t *testing.T) {
		dir := t.TempDir()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=24m,mode=0700"); err != nil {
			t.Skipf("mounting needs root: %v", err)
		}
		defer syscall.Unmount(dir, syscall.MNT_DETACH)
		ballast := filepath.Join(dir, "ballast")
		if err := os.WriteFile(ballast, make([]byte, 12<<20), 0o600); err != nil {
			t.Fatal(err)
		}
		fillAndMakeRoom(t, dir, func() {
			if err := os.Remove(ballast); err != nil {
				t.Fatal(err)
			}
		})
	})
	t.Run("limit on the size of files", func(t *testing.T) {
		var was syscall.Rlimit
		if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		restore := func() {
			if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
				t.Fatal(err)
			}
		}
		defer restore()
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 12 << 20, Max: was.Max}); err != nil {
			t.Fatal(err)
		}
		fillAndMakeRoom(t, dir, restore)
	})
}

func fillAndMakeRoom(t *testing.T, dir string, makeRoom func()) {
	t.Helper()
	s := openIn(t, dir, Options{})
	var err error
	stored := 0
	for err == nil {
		var ops []queue.Op
		for i := range 200 {
			ops = append(ops, queue.Op{New: sample(stored + i)})
		}
		if _, err = s.Apply(t.Context(), ops...); err == nil {
			stored += len(ops)
		}
		if stored > 200_000 {
			t.Fatal("the disk did not fill")
		}
	}
	if !errors.Is(err, queue.ErrFull) {
		t.Fatalf("Apply on a full disk: %v", err)
	}
	t.Logf("%d records, then: %v", stored, err)
	if _, err := s.Get(t.Context(), 1); err != nil {
		t.Errorf("Get on a full disk: %v", err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{Lazy: true, Put: map[string][]byte{"lazy": []byte("kept")}}); err != nil {
		t.Errorf("a lazy op on a full disk: %v", err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}, queue.Op{Put: map[string][]byte{"big": make([]byte, maxPayload)}}); !errors.Is(err, queue.ErrFull) {
		t.Errorf("Apply on a full disk, behind a lazy op: %v", err)
	}
	receipt := sample(stored)
	receipt.Message.Kind = message.Receipt
	if d, err := s.Apply(t.Context(), queue.Op{New: receipt}); err != nil || d[0].Seq != uint64(stored+1) {
		t.Errorf("a receipt on a full disk: %+v, %v", d, err)
	}
	stored++
	crashed, _ := readDisk(t, dir).reopened(t, Options{})
	if n := len(all(t, crashed)); n != stored {
		t.Errorf("%d records after a crash on the full disk, want %d", n, stored)
	}
	closeStore(t, crashed)
	makeRoom()
	var d []queue.Done
	err = queue.ErrFull
	for end := time.Now().Add(time.Minute); errors.Is(err, queue.ErrFull) && time.Now().Before(end); {
		d, err = s.Apply(t.Context(), queue.Op{New: sample(stored)})
	}
	if err != nil {
		t.Fatalf("Apply once there is room: %v", err)
	}
	if d[0].Seq != uint64(stored+1) {
		t.Errorf("the next record is %d, want %d", d[0].Seq, stored+1)
	}
	verified(t, s)
	closeStore(t, s)
	s = openIn(t, dir, Options{})
	defer closeStore(t, s)
	if v, err := s.Setting(t.Context(), "lazy"); string(v) != "kept" || err != nil {
		t.Errorf("the lazy op: %q, %v", v, err)
	}
	if n := len(all(t, s)); n != stored+1 {
		t.Errorf("%d records, want %d", n, stored+1)
	}
	verified(t, s)
}

// TestReserve: at the size limit only what may empty the store again, or must not
// wait, gets in; and the store takes messages again once it has been emptied.
func TestReserve(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true, MaxBytes: 6 * mib, Reserve: 2 * mib})
	defer closeStore(t, s)
	apply := func(op queue.Op) error {
		_, err := s.Apply(t.Context(), op)
		return err
	}
	untilFull := func(r func(int) queue.Op) (n int) {
		for ; ; n++ {
			if err := apply(r(n)); errors.Is(err, queue.ErrFull) {
				return n
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
	n := untilFull(func(i int) queue.Op { return queue.Op{New: sample(i)} })
	if n < 2000 {
		t.Errorf("full after %d records", n)
	}
	named := sample(0)
	if d, err := s.Apply(t.Context(), queue.Op{New: named, SameFor: 1}); err != nil || !d[0].Duplicate {
		t.Errorf("a duplicate on a full store: %v", err)
	}
	receipt := func(i int) *queue.Record { r := sample(n + i); r.Message.Kind = message.Receipt; return r }
	emergency := func(i int) *queue.Record { r := sample(n + i); r.Message.Precedence = message.Emergency; return r }
	for what, op := range map[string]queue.Op{
		"an urgent op": {New: sample(n), Urgent: true}, "a receipt": {New: receipt(1)}, "an emergency": {New: emergency(2)},
		"a change": {Seq: 1, Change: finish}, "a setting": {Put: map[string][]byte{"k": []byte("v")}},
	} {
		if err := apply(op); err != nil {
			t.Errorf("%s on a full store: %v", what, err)
		}
	}
	if m := untilFull(func(i int) queue.Op { return queue.Op{New: receipt(i)} }); m < 500 {
		t.Errorf("the reserve held %d receipts", m)
	}
	finishAll(t, s, 1, uint64(n))
	for gone := 1; gone > 0; {
		var err error
		if gone, err = s.Purge(t.Context(), 1<<40, 0, 2000); err != nil {
			t.Fatal(err)
		}
	}
	if err := apply(queue.Op{New: sample(1)}); err != nil {
		t.Errorf("New once the store has been emptied: %v", err)
	}
	verified(t, s)
}

// TestFullStaysFull: once a record had no room, a smaller one has none either,
// whatever a checkpoint measures, until something has gone.
func TestFullStaysFull(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true, MaxBytes: 4 * mib, Reserve: 1 * mib})
	defer closeStore(t, s)
	add := func(r *queue.Record) error {
		_, err := s.Apply(t.Context(), queue.Op{New: r})
		return err
	}
	n := 0
	for ; ; n++ {
		large := sample(n)
		large.Message.Text = strings.Repeat("x", 8000)
		if err := add(large); errors.Is(err, queue.ErrFull) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if r, _ := s.Room(); r.Lack() == "" {
		t.Errorf("full, and Room does not say so: %+v", r)
	}
	for i := range 30 {
		if err := add(sample(n + i)); !errors.Is(err, queue.ErrFull) {
			t.Fatalf("small record %d: %v", i, err)
		}
		if i%10 == 5 {
			if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"k": {byte(i)}}}); err != nil {
				t.Fatal(err)
			}
			if err := s.alone(t.Context(), s.checkpoint); err != nil {
				t.Fatal(err)
			}
		}
	}
	finishAll(t, s, 1, 40)
	if gone, err := s.Purge(t.Context(), 1<<40, 0, 40); gone != 40 || err != nil {
		t.Fatalf("%d purged, %v", gone, err)
	}
	if err := add(sample(n)); err != nil {
		t.Errorf("a small record once others have gone: %v", err)
	}
	if r, _ := s.Room(); r.Lack() != "" {
		t.Errorf("no longer full, and Room says so: %s", r.Lack())
	}
	verified(t, s)
}

// A quota is full while the disk has room: the operator has to hear what the disk answers.
func TestRoomTellsOfAQuota(t *testing.T) {
	full := true
	s := openIn(t, t.TempDir(), Options{NoSync: true, commit: func(tx *bolt.Tx) error {
		if full {
			return errors.Join(errors.New("write queue.db: "+syscall.EDQUOT.Error()), tx.Rollback()) // bbolt says it so
		}
		return tx.Commit()
	}})
	defer closeStore(t, s)
	applyEach(t, s, 0, 1)
	_ = s.alone(t.Context(), s.checkpoint)
	if r, _ := s.Room(); !strings.Contains(r.Lack(), "left on the disk, which answers: disk quota exceeded") {
		t.Errorf("a full quota: %q", r.Lack())
	}
	if err := s.alone(t.Context(), func() error { full = false; return s.checkpoint() }); err != nil {
		t.Fatal(err)
	}
	if r, _ := s.Room(); r.Lack() != "" {
		t.Errorf("with room: %q", r.Lack())
	}
}

// TestNoRoomForTheLog: a log that does not fit takes none of the room that the
// data file needs.
func TestNoRoomForTheLog(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m,mode=0700"); err != nil {
		t.Skipf("mounting needs root: %v", err)
	}
	defer syscall.Unmount(dir, syscall.MNT_DETACH)
	s := openIn(t, dir, Options{LogBytes: walSize})
	defer func() { closeStore(t, s) }()
	if info, err := os.Stat(filepath.Join(dir, "queue.db"+logExt)); err != nil || info.Size() != 0 {
		t.Errorf("the log: %v bytes, %v", info.Size(), err)
	}
	fill(t, s, 100)
	closeStore(t, s)
	s = openIn(t, dir, Options{LogBytes: walSize})
	if n := len(all(t, s)); n != 100 {
		t.Errorf("%d records, want 100", n)
	}
	verified(t, s)
}
