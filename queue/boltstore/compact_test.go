package boltstore

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// TestCompactAlone: the file shrinks, and the store is as before.
func TestCompactAlone(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	if err := s.alone(t.Context(), func() error { s.compactAt = time.Now().Add(time.Hour); return nil }); err != nil {
		t.Fatal(err)
	}
	fill(t, s, 10_000)
	finishAll(t, s, 1, 9_000)
	purgeAll(t, s)
	was := all(t, s)
	before := s.Stats()
	if err := s.Compact(t.Context()); err != nil {
		t.Fatal(err)
	}
	after := s.Stats()
	if after.Bytes > before.Bytes/5 {
		t.Errorf("%d bytes, were %d", after.Bytes, before.Bytes)
	}
	sameRecords(t, all(t, s), was)
	verified(t, s)
	d, err := s.Apply(t.Context(), queue.Op{New: sample(1)})
	if err != nil || d[0].Seq != 10_001 {
		t.Errorf("the next record: %+v, %v", d, err)
	}
	closeStore(t, s)
	s = openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	if n := len(all(t, s)); n != 1001 {
		t.Errorf("%d records after opening again", n)
	}
	verified(t, s)
}

// settle has everything in the data file.
func settle(t testing.TB, s *Store) {
	t.Helper()
	if err := s.alone(context.Background(), s.checkpoint); err != nil {
		t.Fatal(err)
	}
}

func purgeAll(t testing.TB, s *Store) {
	t.Helper()
	for gone := 1; gone > 0; {
		var err error
		if gone, err = s.Purge(context.Background(), 1<<40, 0, 2000); err != nil {
			t.Fatal(err)
		}
	}
}

// TestCompactWhileWriting: everything that is written while the file is being
// copied is in the fresh one, whatever it is: new, changed, purged, forgotten.
func TestCompactWhileWriting(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 3000)
	ctx, cancel := context.WithCancel(t.Context())
	var mu sync.Mutex
	told := map[uint64]int{} // seq -> attempts
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			rnd := rand.New(rand.NewPCG(uint64(w), 7))
			for i := 0; ctx.Err() == nil; i++ {
				r := sample(100_000 + i*4 + w)
				r.Accepted.Age = queueAge(i)
				d, err := s.Apply(context.Background(), queue.Op{New: r})
				if err != nil {
					t.Errorf("Apply: %v", err)
					return
				}
				seq := d[0].Seq
				n := rnd.IntN(3)
				for range n {
					change := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].Attempts++; return nil, nil }
					if _, err := s.Apply(context.Background(), queue.Op{Seq: seq, Change: change}); err != nil {
						t.Errorf("Apply: %v", err)
					}
				}
				mu.Lock()
				told[seq] = n
				mu.Unlock()
				if i%50 == 0 {
					if _, err := s.Apply(context.Background(), queue.Op{Seq: uint64(1 + rnd.IntN(3000)), Change: finish}); err != nil {
						t.Errorf("Apply: %v", err)
					}
					if _, err := s.Purge(context.Background(), 1001, queueAge(i)-2*3600e3, 10); err != nil {
						t.Errorf("Purge: %v", err)
					}
				}
			}
		})
	}
	for i := range 5 {
		if err := s.Compact(ctx); err != nil {
			t.Errorf("compaction %d: %v", i, err)
		}
	}
	cancel()
	wg.Wait()
	verified(t, s)
	there := all(t, s)
	for seq, n := range told {
		if r := there[seq]; r == nil || r.Deliveries[0].Attempts != n {
			t.Fatalf("record %d, written while the file was copied: %+v, want %d attempts", seq, r, n)
		}
	}
	t.Logf("%d records were written during 5 compactions", len(told))
}

// fillLong adds records that take so many pages: one each, since each is longer than half
// of one. What a drain leaves behind is a matter of pages, however many records were there.
func fillLong(t testing.TB, s *Store, pages int) (n uint64) {
	t.Helper()
	long := strings.Repeat("the road is open ", 150)
	for n < uint64(pages) {
		ops := make([]queue.Op, 100)
		for i := range ops {
			n++
			ops[i].New = sample(int(n))
			ops[i].New.Message.Text = long
		}
		if _, err := s.Apply(t.Context(), ops...); err != nil {
			t.Fatal(err)
		}
	}
	return n
}

// TestCompactBySelf: a store that was drained shrinks without being asked.
func TestCompactBySelf(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	n := fillLong(t, s, 2*longFreelist)
	settle(t, s)
	peak := s.Stats().Bytes
	finishAll(t, s, 1, n)
	purgeAll(t, s)
	settle(t, s)
	s.background.Wait()
	if got := s.Stats().Bytes; got > peak*3/4 {
		t.Errorf("%d bytes, were %d", got, peak)
	}
	verified(t, s)
}

// TestLongListOfFreePages: while much happens, a checkpoint behind a drain writes
// the list of free pages, however long, so that a start after a crash need not walk
// the file; lists never take more than the log did.
func TestLongListOfFreePages(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	if err := s.alone(t.Context(), func() error { s.compactAt = time.Now().Add(time.Hour); return nil }); err != nil {
		t.Fatal(err)
	}
	n := fillLong(t, s, 2*longFreelist)
	finishAll(t, s, 1, n)
	purgeAll(t, s)
	settle(t, s)
	free := s.file.db.Stats().FreePageN
	if free <= longFreelist {
		t.Fatalf("%d free pages: too few for this test", free)
	}
	if !isListed(t, dir) {
		t.Error("a start behind a drain has to walk the file")
	}
	sound(t, dir)
	if r := s.forLists; r < 0 || r > mostForLists {
		t.Errorf("%d bytes are left for lists", r)
	}
	quiet, most := 0, mostForLists/(free*freeSize)
	for ; isListed(t, dir) && quiet <= most; quiet++ {
		if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"k": {byte(quiet)}}}); err != nil {
			t.Fatal(err)
		}
		settle(t, s)
	}
	if quiet < 2 || quiet > most {
		t.Errorf("%d checkpoints with next to nothing wrote a long list, want some, and not more than %d", quiet, most)
	}
	closeStore(t, s)
	if !isListed(t, dir) {
		t.Error("a start after Close has to walk the file")
	}
	sound(t, dir)
}

// isListed tells whether the data file in a folder has its list of free pages.
func isListed(t *testing.T, dir string) bool {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, "queue.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	p, err := openPages(f)
	if err != nil {
		t.Fatal(err)
	}
	return p.meta.freelist != noFreelist
}

// sound has bbolt look whether each page of a copy of the file is in use or listed
// as free, and not both.
func sound(t *testing.T, dir string) {
	t.Helper()
	copied := filepath.Join(t.TempDir(), "queue.db")
	if err := os.WriteFile(copied, readDisk(t, dir).data, 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := bolt.Open(copied, 0o600, &bolt.Options{NoFreelistSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.View(func(tx *bolt.Tx) error {
		for err := range tx.Check() {
			return err
		}
		return nil
	}); err != nil {
		t.Errorf("the file on disk: %v", err)
	}
}

// TestCompactGivenUp: a compaction that is cancelled, or a crash in one, leaves
// the store as it was and nothing behind.
func TestCompactGivenUp(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, 3000)
	left := filepath.Join(dir, "queue.db.compact")
	for i := range 20 {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i)*time.Millisecond)
		if err := s.Compact(ctx); err != nil && !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Compact: %v", err)
		}
		cancel()
		if _, err := os.Stat(left); !errors.Is(err, os.ErrNotExist) {
			t.Fatalf("a given up copy was left behind: %v", err)
		}
		verified(t, s)
	}
	closeStore(t, s)
	if err := os.WriteFile(left, []byte("of a crash"), 0o600); err != nil {
		t.Fatal(err)
	}
	s = openIn(t, dir, Options{NoSync: true})
	if _, err := os.Stat(left); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the copy of a crash still takes room: %v", err)
	}
	if err := s.Compact(t.Context()); err != nil {
		t.Errorf("Compact after a crash in one: %v", err)
	}
	if n := len(all(t, s)); n != 3000 {
		t.Errorf("%d records", n)
	}
	closeStore(t, s)
	if _, err := s.Get(t.Context(), 1); !errors.Is(err, queue.ErrClosed) {
		t.Error(err)
	}
}
