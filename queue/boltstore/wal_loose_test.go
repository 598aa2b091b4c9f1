package boltstore

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/queue"
	"posthouse/queue/line"
)

// lazily has a setting written by a lazy op.
func lazily(t *testing.T, s *Store, key, val string) {
	t.Helper()
	if _, err := s.Apply(t.Context(), queue.Op{Lazy: true, Put: map[string][]byte{key: []byte(val)}}); err != nil {
		t.Fatal(err)
	}
}

// afterKill is a setting as a store has it that begins with what is written now.
func afterKill(t *testing.T, dir, key string) string {
	t.Helper()
	c, _ := readDisk(t, dir).reopened(t, Options{})
	defer closeStore(t, c)
	v, err := c.Setting(t.Context(), key)
	if err != nil {
		t.Error(err)
	}
	return string(v)
}

// countSyncs gives how often the log has been synced since.
func countSyncs(t *testing.T, s *Store, fail *atomic.Bool) *atomic.Int64 {
	t.Helper()
	n := new(atomic.Int64)
	err := s.alone(context.Background(), func() error {
		s.wal.sync = func(*os.File) error {
			if n.Add(1); fail.Load() {
				return errPulled
			}
			return nil
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestLazyOpsOutliveAKill: they are in the log after lazyWait, with no sync, and get
// one with the next commit, or after five seconds.
func TestLazyOpsOutliveAKill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true})
		defer closeStore(t, s)
		fill(t, s, 5)
		settle(t, s)
		syncs := countSyncs(t, s, new(atomic.Bool))
		lazily(t, s, "a", "1")
		time.Sleep(lazyWait + time.Millisecond)
		lazily(t, s, "b", "2")
		time.Sleep(lazyWait + time.Millisecond)
		if a, b := afterKill(t, dir, "a"), afterKill(t, dir, "b"); a != "1" || b != "2" || syncs.Load() != 0 {
			t.Errorf("after %v: %q and %q, %d syncs, want 1 and 2 with none", lazyWait, a, b, syncs.Load())
		}
		applyEach(t, s, 100, 1)
		if got := afterKill(t, dir, "b"); got != "2" || syncs.Load() != 1 {
			t.Errorf("after a commit: %q, %d syncs", got, syncs.Load())
		}
		time.Sleep(2 * line.LazyWait)
		if syncs.Load() != 1 {
			t.Errorf("%d syncs, and nothing was loose", syncs.Load())
		}
		lazily(t, s, "c", "3")
		time.Sleep(line.LazyWait + 2*lazyWait)
		if syncs.Load() != 2 {
			t.Errorf("%d syncs, five seconds after a lazy op, want one more", syncs.Load())
		}
		applyEach(t, s, 200, 1)
		if got := afterKill(t, dir, "c"); got != "3" {
			t.Errorf("in the end: %q", got)
		}
		if n := len(all(t, s)); n != 7 {
			t.Errorf("%d records", n)
		}
		verified(t, s)
	})
}

// TestLooseFrameIsBounded: many lazy ops get a sync now and then, and are not all
// written again for each.
func TestLooseFrameIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true, LogBytes: walSize})
		defer closeStore(t, s)
		syncs := countSyncs(t, s, new(atomic.Bool))
		const each = mostLoose / 8
		for i := range 80 {
			lazily(t, s, fmt.Sprint("k", i), strings.Repeat("x", each))
			time.Sleep(lazyWait + time.Millisecond)
		}
		if syncs.Load() < 8 || syncs.Load() > 20 {
			t.Errorf("%d syncs for %d bytes", syncs.Load(), 80*each)
		}
		if got := afterKill(t, dir, "k79"); len(got) != each {
			t.Errorf("the last has %d bytes", len(got))
		}
	})
}

// TestTornLooseFrame: what is left of a loose frame, or of a commit that was written
// over it, is never damage, and takes nothing of what was confirmed before.
func TestTornLooseFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true})
		defer closeStore(t, s)
		fill(t, s, 5)
		settle(t, s)
		applyEach(t, s, 100, 2)
		at, confirmed := s.walEnd(t), readDisk(t, dir)
		lazily(t, s, "a", strings.Repeat("1", 700))
		time.Sleep(lazyWait + time.Millisecond)
		loose := readDisk(t, dir)
		applyEach(t, s, 200, 1)
		commit := readDisk(t, dir)
		for _, step := range []struct{ from, to disk }{{confirmed, loose}, {loose, commit}} {
			from := slices.Clone(step.from.log)
			from = append(from, make([]byte, len(step.to.log)-len(from))...)
			for cut := at; cut <= int64(len(step.to.log)); cut += 37 {
				head := append(slices.Clone(step.to.log[:cut]), from[cut:]...) // the beginning is on the disk
				tail := append(slices.Clone(from[:cut]), step.to.log[cut:]...) // or the end
				for _, log := range [][]byte{head, tail} {
					tornLoose(t, disk{confirmed.data, append(log, make([]byte, 8)...)})
				}
			}
		}
	})
}

func tornLoose(t *testing.T, d disk) {
	t.Helper()
	c, dir := d.reopened(t, Options{})
	defer closeStore(t, c)
	if n := len(all(t, c)); n != 7 && n != 8 {
		t.Fatalf("%d records, want the 7 of before, or 8", n)
	}
	if a := must(c.Setting(t.Context(), "a")); len(a) != 0 && len(a) != 700 {
		t.Fatalf("a lazy setting has %d bytes", len(a))
	}
	verified(t, c)
	if names, _ := filepath.Glob(filepath.Join(dir, "queue.damaged-*")); len(names) != 0 || c.Stats().Damaged != 0 {
		t.Fatalf("it counts as damage: %v", names)
	}
}

// TestLooseFrameThatCannotBeSynced: it is in the data file a moment later.
func TestLooseFrameThatCannotBeSynced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true})
		defer closeStore(t, s)
		fill(t, s, 5)
		settle(t, s)
		var fail atomic.Bool
		syncs := countSyncs(t, s, &fail)
		lazily(t, s, "a", "1")
		fail.Store(true)
		time.Sleep(line.LazyWait + 2*lazyWait)
		if syncs.Load() != 1 {
			t.Errorf("%d syncs", syncs.Load())
		}
		fail.Store(false)
		time.Sleep(time.Second)
		if got := afterKill(t, dir, "a"); got != "1" {
			t.Errorf("%q", got)
		}
		applyEach(t, s, 100, 1)
		verified(t, s)
	})
}

// TestNeitherLogNorCheckpoint: what lazy ops did is still so when the log cannot be
// synced and the checkpoint after that fails, for as long as that lasts.
func TestNeitherLogNorCheckpoint(t *testing.T) {
	for name, confirmed := range map[string]int{"first in the log": 0, "behind a commit": 1} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { neitherLogNorCheckpoint(t, confirmed) })
		})
	}
}

func neitherLogNorCheckpoint(t *testing.T, confirmed int) {
	dir := t.TempDir()
	opts, before, _ := failing()
	s := openIn(t, dir, opts)
	defer closeStore(t, s)
	var fail atomic.Bool
	countSyncs(t, s, &fail)
	fill(t, s, 5)
	settle(t, s)
	applyEach(t, s, 100, confirmed)
	lazily(t, s, "a", "1")
	time.Sleep(lazyWait + time.Millisecond)
	fail.Store(true)
	before.Store(true)
	for range 3 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(200), Urgent: true}); !errors.Is(err, errPulled) {
			t.Fatalf("Apply: %v", err)
		}
		time.Sleep(time.Second)
		if a := must(s.Setting(t.Context(), "a")); string(a) != "1" {
			t.Fatalf("the lazy op is undone: %q", a)
		}
		if a := afterKill(t, dir, "a"); a != "1" {
			t.Fatalf("after a kill it is undone: %q", a)
		}
	}
	fail.Store(false)
	before.Store(false)
	time.Sleep(time.Minute)
	applyEach(t, s, 300, 1)
	if a := afterKill(t, dir, "a"); a != "1" || len(all(t, s)) != 6+confirmed {
		t.Errorf("in the end: %q, %d records", a, len(all(t, s)))
	}
	verified(t, s)
}
