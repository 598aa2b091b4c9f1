package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// damagedDir gives a folder with a closed store of n records, every third of
// them finished, and some settings.
func damagedDir(t *testing.T, n int) (dir string, was map[uint64]*queue.Record) {
	t.Helper()
	dir = t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, n)
	for seq := uint64(3); seq <= uint64(n); seq += 3 {
		finishAll(t, s, seq, seq)
	}
	if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"quiet/far": []byte("yes")}}); err != nil {
		t.Fatal(err)
	}
	was = all(t, s)
	closeStore(t, s)
	return dir, was
}

// corrupt changes bytes of the data file.
func corrupt(t *testing.T, dir string, change func(b []byte) []byte) {
	t.Helper()
	path := filepath.Join(dir, "queue.db")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, change(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

// pageOf finds the page that holds a record in a file that bbolt made.
func pageOf(t *testing.T, b []byte, seq uint64) int {
	t.Helper()
	// The newest copy has the highest commit number.
	best, bestCommit := -1, uint64(0)
	for at := 0; at+4096 <= len(b); at += 4096 {
		flags, es, err := elements(b[at : at+4096])
		if err != nil || flags != leafPage {
			continue
		}
		for _, e := range es {
			if bytes.Equal(e.key, recordKey(seq)) {
				if _, c, err := isRecord.unseal(e.key, e.val); err == nil && c >= bestCommit {
					best, bestCommit = at, c
				}
			}
		}
	}
	if best < 0 {
		t.Fatalf("record %d is on no page", seq)
	}
	return best
}

// aside gives the files that were set aside.
func aside(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "queue.damaged-*.db"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// TestFlippedBit: a flipped bit anywhere in a record's value is found, the record
// leaves the schedule, the others stay.
func TestFlippedBit(t *testing.T) {
	dir, was := damagedDir(t, 50)
	rawUpdate(t, dir, func(tx *bolt.Tx) error {
		b := tx.Bucket(recordBucket)
		v := bytes.Clone(b.Get(recordKey(7)))
		v[len(v)/2] ^= 0x10
		return b.Put(recordKey(7), v)
	})
	s := openIn(t, dir, Options{})
	defer closeStore(t, s)
	_, err := s.Get(t.Context(), 7)
	if !errors.Is(err, queue.ErrDamaged) {
		t.Fatalf("Get of a record with a flipped bit: %v", err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"flush": nil}}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Get(t.Context(), 7); !errors.Is(err, queue.ErrDamaged) {
		t.Errorf("Get once it is out of the schedule: %v", err)
	}
	d, err := s.Apply(t.Context(), queue.Op{Seq: 7, Change: finish})
	if err != nil || !errors.Is(d[0].Err, queue.ErrDamaged) {
		t.Errorf("Change: %v, %v", err, d[0].Err)
	}
	if st := s.Stats(); st.Damaged != 1 || st.Records != 49 {
		t.Errorf("Stats: %+v", st)
	}
	delete(was, 7)
	sameRecords(t, all(t, s), was)
	items, err := s.Heads(t.Context(), "far", message.Routine, 0, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range items {
		if it.Seq == 7 {
			t.Error("the damaged record is still a head")
		}
	}
	verified(t, s)
	if names := aside(t, dir); len(names) != 0 {
		t.Errorf("the whole file was set aside for one record: %v", names)
	}
}

// TestEveryFlippedBit: no flipped bit of a value passes for sound, and none makes
// the reader panic.
func TestEveryFlippedBit(t *testing.T) {
	r := sample(1)
	payload, err := encode(r)
	if err != nil {
		t.Fatal(err)
	}
	value := isRecord.seal(recordKey(5), payload, 77)
	for bit := range len(value) * 8 {
		bad := bytes.Clone(value)
		bad[bit/8] ^= 1 << (bit % 8)
		if _, err := openRecord(5, bad); !errors.Is(err, queue.ErrDamaged) {
			t.Errorf("bit %d of %d flipped: %v", bit, len(value)*8, err)
		}
	}
	for n := range value {
		if _, err := openRecord(5, value[:n]); !errors.Is(err, queue.ErrDamaged) {
			t.Errorf("cut to %d bytes: %v", n, err)
		}
	}
	if _, err := openRecord(6, value); !errors.Is(err, queue.ErrDamaged) {
		t.Errorf("under the key of another record: %v", err)
	}
	if _, _, err := isSetting.unseal(recordKey(5), value); !errors.Is(err, queue.ErrDamaged) {
		t.Errorf("as a setting: %v", err)
	}
}

func sameRecords(t *testing.T, got, want map[uint64]*queue.Record) {
	t.Helper()
	for seq, r := range want {
		g := got[seq]
		if g == nil {
			t.Errorf("record %d is gone", seq)
			continue
		}
		a, _ := encode(g)
		b, _ := encode(r)
		if !bytes.Equal(a, b) {
			t.Errorf("record %d:\n got %+v\nwant %+v", seq, g, r)
		}
	}
	for seq := range got {
		if want[seq] == nil {
			t.Errorf("record %d came from nowhere", seq)
		}
	}
}

// TestDamageAtOpen: each kind of damage sets the file aside, and the fresh one
// has what could be read.
func TestDamageAtOpen(t *testing.T) {
	const n = 3000
	cases := []struct {
		name   string
		change func(t *testing.T, b []byte) []byte
		least  int  // records that must be saved
		older  bool // copies of before their last change may be all that is left
	}{
		{"both meta pages are gone", func(_ *testing.T, b []byte) []byte { clear(b[:8192]); return b }, n, false},
		{"a page of records is zeroed", func(t *testing.T, b []byte) []byte {
			at := pageOf(t, b, 1500)
			clear(b[at : at+4096])
			return b
		}, n - 20, false},
		{"a page of records has wrong numbers", func(t *testing.T, b []byte) []byte {
			at := pageOf(t, b, 1500)
			binary.LittleEndian.PutUint64(b[at:], 1<<40)
			return b
		}, n, false},
		{"a key of a page reaches outside", func(t *testing.T, b []byte) []byte {
			at := pageOf(t, b, 1500)
			binary.LittleEndian.PutUint32(b[at+16+4:], 1<<31)
			return b
		}, n - 1, false},
		{"every branch page is gone", func(_ *testing.T, b []byte) []byte {
			for at := 8192; at+4096 <= len(b); at += 4096 {
				if binary.LittleEndian.Uint16(b[at+8:]) == branchPage {
					clear(b[at : at+4096])
				}
			}
			return b
		}, n, false},
		{"the last third is cut off", func(_ *testing.T, b []byte) []byte { return b[:len(b)*2/3/4096*4096] }, n / 3, true},
		{"the end is cut off within a page", func(_ *testing.T, b []byte) []byte { return b[:len(b)/2+100] }, n / 5, true},
		{"only the first bytes are left", func(_ *testing.T, b []byte) []byte { return b[:100] }, 0, false},
		{"nothing is left", func(*testing.T, []byte) []byte { return nil }, 0, false},
		{"another file lies there", func(*testing.T, []byte) []byte { return bytes.Repeat([]byte("nonsense"), 9000) }, 0, false},
	}
	whole, was := damagedDir(t, n)
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS(whole)); err != nil {
				t.Fatal(err)
			}
			corrupt(t, dir, func(b []byte) []byte { return c.change(t, b) })
			damagedFile, _ := os.ReadFile(filepath.Join(dir, "queue.db"))
			at := time.Date(2026, 11, 25, 7, 17, 0, 0, time.UTC)
			s := openIn(t, dir, Options{NoSync: true, Now: func() time.Time { return at }})
			defer closeStore(t, s)
			kept, err := os.ReadFile(filepath.Join(dir, "queue.damaged-20261125T071700Z.db"))
			if err != nil || !bytes.Equal(kept, damagedFile) {
				t.Errorf("the damaged file was not kept as it was: %v", err)
			}
			got := all(t, s)
			if len(got) < c.least {
				t.Errorf("%d of %d records were saved, want at least %d", len(got), n, c.least)
			}
			t.Logf("%d of %d records were saved", len(got), n)
			for seq, r := range got {
				if c.older && was[seq] != nil {
					sameOrOlder(t, r, was[seq])
					continue
				}
				sameRecords(t, map[uint64]*queue.Record{seq: r}, map[uint64]*queue.Record{seq: was[seq]})
			}
			verified(t, s)
			d, err := s.Apply(t.Context(), queue.Op{New: sample(1)})
			if err != nil || d[0].Seq <= n && c.least > 0 {
				t.Errorf("the next record has number %d: %v", d[0].Seq, err)
			}
		})
	}
}

// TestRandomDamage: whatever is overwritten, opening neither crashes nor fails,
// and what comes back is what was stored.
func TestRandomDamage(t *testing.T) {
	rounds := 30
	if testing.Short() {
		rounds = 10
	}
	dir, was := damagedDir(t, 400)
	sound, err := os.ReadFile(filepath.Join(dir, "queue.db"))
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	for range rounds {
		corrupt(t, dir, func([]byte) []byte {
			b := bytes.Clone(sound)
			for range 1 + rnd.IntN(4) {
				at, n := rnd.IntN(len(b)), 1+rnd.IntN(300)
				for i := at; i < min(at+n, len(b)); i++ {
					b[i] = byte(rnd.Uint32())
				}
			}
			return b
		})
		s := openIn(t, dir, Options{NoSync: true})
		got := all(t, s) // may find more damage
		for seq, r := range got {
			if was[seq] == nil {
				t.Fatalf("record %d came from nowhere", seq)
			}
			sameOrOlder(t, r, was[seq])
		}
		if _, err := s.Apply(context.Background(), queue.Op{New: sample(1)}); err != nil {
			t.Fatalf("Apply after damage: %v", err)
		}
		_ = s.Close()
	}
}

// sameOrOlder: salvage may find only an older copy of a record.
func sameOrOlder(t *testing.T, got, want *queue.Record) {
	t.Helper()
	if got.Message.Text != want.Message.Text || got.Deliveries[0].To != want.Deliveries[0].To {
		t.Fatalf("record %d holds what was never stored: %+v", got.Seq, got)
	}
}

// TestDamageWhileRunning: a page that breaks under a running store becomes an
// error, the file is replaced, and the store goes on.
func TestDamageWhileRunning(t *testing.T) {
	for _, how := range []string{"read", "write"} {
		t.Run("found by a "+how, func(t *testing.T) {
			const n = 3000
			dir := t.TempDir()
			s := openIn(t, dir, Options{NoSync: true})
			defer closeStore(t, s)
			fill(t, s, n)
			settle(t, s)
			path := filepath.Join(dir, "queue.db")
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			f, err := os.OpenFile(path, os.O_WRONLY, 0)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := f.WriteAt(bytes.Repeat([]byte{0xAA}, 4096), int64(pageOf(t, b, 1500))); err != nil {
				t.Fatal(err)
			}
			f.Close()
			if how == "read" {
				if _, err := s.Get(t.Context(), 1500); !errors.Is(err, queue.ErrDamaged) {
					t.Errorf("Get on a damaged page: %v", err)
				}
			}
			d, err := s.Apply(t.Context(), queue.Op{Seq: 1500, Change: finish}, queue.Op{New: sample(n)})
			if err != nil {
				t.Fatalf("Apply: %v", err)
			}
			if !errors.Is(d[0].Err, queue.ErrNotFound) || d[1].Seq <= n {
				t.Errorf("Apply: %+v", d)
			}
			if len(aside(t, dir)) != 1 {
				t.Errorf("set aside: %v", aside(t, dir))
			}
			if got := len(all(t, s)); got < n-20 || got > n {
				t.Errorf("%d of %d records", got, n+1)
			}
			verified(t, s)
		})
	}
}

// TestTruncatedWhileRunning: reading where the file has ended is a memory fault
// (SIGBUS), and becomes an error too.
func TestTruncatedWhileRunning(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 3000)
	settle(t, s)
	b, err := os.ReadFile(filepath.Join(dir, "queue.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(filepath.Join(dir, "queue.db"), int64(pageOf(t, b, 1500))); err != nil {
		t.Fatal(err)
	}
	damage := false
	for seq := uint64(1); seq <= 3000; seq++ {
		_, err := s.Get(t.Context(), seq)
		damage = damage || errors.Is(err, queue.ErrDamaged)
	}
	if !damage {
		t.Error("nobody noticed that the end of the file is gone")
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); err != nil {
		t.Errorf("Apply: %v", err)
	}
	t.Logf("%d of 3000 records were saved", len(all(t, s))-1)
	verified(t, s)
}

// TestNewerVersion: a file that a newer posthouse wrote is refused and not
// touched, and neither is one with a value that is newer.
func TestNewerVersion(t *testing.T) {
	newer := map[string]func(*bolt.Tx) error{
		"layout": func(tx *bolt.Tx) error { return tx.Bucket(stateBucket).Put(schemaKey, []byte{schema + 1}) },
	}
	for name, change := range newer {
		t.Run(name, func(t *testing.T) {
			dir, _ := damagedDir(t, 50)
			rawUpdate(t, dir, change)
			path := filepath.Join(dir, "queue.db")
			before, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if _, err = Open(path, Options{}); !errors.Is(err, ErrNewer) {
				t.Fatalf("Open: %v", err)
			}
			t.Log(err)
			after, err := os.ReadFile(path)
			if err != nil || !bytes.Equal(before, after) {
				t.Errorf("the file was touched: %v", err)
			}
			// Damaged besides: still not ours to mend.
			corrupt(t, dir, func(b []byte) []byte { return b[:len(b)-4096] })
			if _, err := Open(path, Options{}); !errors.Is(err, ErrNewer) {
				t.Errorf("Open of a damaged newer file: %v", err)
			}
			if names := aside(t, dir); len(names) != 0 {
				t.Errorf("set aside: %v", names)
			}
		})
	}
}
