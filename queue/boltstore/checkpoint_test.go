package boltstore

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	bolt "go.etcd.io/bbolt"
)

// logUsed is how many bytes the log holds.
func logUsed(t *testing.T, s *Store) (used int64) {
	t.Helper()
	err := s.alone(context.Background(), func() error { used = s.wal.used(); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return used
}

// TestACheckpointTakesABreakInTheTraffic: it holds up whoever comes meanwhile, so it
// begins where nothing has come for a moment, and only without such a moment when the
// log has its share.
func TestACheckpointTakesABreakInTheTraffic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var checkpoints atomic.Int64
		s := openIn(t, t.TempDir(), Options{commit: func(tx *bolt.Tx) error {
			checkpoints.Add(1)
			return tx.Commit()
		}})
		defer closeStore(t, s)
		early, late := s.opts.LogBytes/calmPart, s.opts.LogBytes/checkpointPart
		n := 0
		write := func(until int64) {
			for before := checkpoints.Load(); logUsed(t, s) <= until && checkpoints.Load() == before; n++ {
				applyEach(t, s, n, 1)
				time.Sleep(calm / 2)
			}
		}
		write(early)
		if checkpoints.Load() != 0 {
			t.Fatal("a checkpoint without a break, long before the log has its share")
		}
		time.Sleep(2 * calm)
		if logUsed(t, s); checkpoints.Load() != 1 {
			t.Fatalf("%d checkpoints after a break, want 1", checkpoints.Load())
		}
		write(late / 2)
		time.Sleep(time.Second)
		if logUsed(t, s); checkpoints.Load() != 1 {
			t.Fatal("a break was taken where the log holds little")
		}
		write(2 * late)
		if checkpoints.Load() != 2 {
			t.Fatalf("%d checkpoints when the log had its share, want one more", checkpoints.Load())
		}
	})
}
