package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// disk is what a store has written: the data file and its log.
type disk struct{ data, log []byte }

func readDisk(t testing.TB, dir string) (d disk) {
	t.Helper()
	var err error
	if d.log, err = os.ReadFile(filepath.Join(dir, "queue.db"+logExt)); err != nil {
		t.Fatal(err)
	}
	d.log = bytes.TrimRight(d.log, "\x00") // what was never written
	if d.data, err = os.ReadFile(filepath.Join(dir, "queue.db")); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d disk) put(t testing.TB, dir string) {
	t.Helper()
	for name, b := range map[string][]byte{"queue.db": d.data, "queue.db" + logExt: d.log} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// reopened opens a copy of what a disk holds.
func (d disk) reopened(t testing.TB, opts Options) (s *Store, dir string) {
	t.Helper()
	dir = t.TempDir()
	d.put(t, dir)
	opts.NoSync, opts.LogBytes = true, max(int64(len(d.log))/4096*4096+8192, 1<<16)
	return openIn(t, dir, opts), dir
}

// TestLogIsAllThatIsWritten: between two checkpoints the data file is left alone,
// and what is confirmed comes back from the log: every kind of change.
func TestLogIsAllThatIsWritten(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{})
	defer func() { closeStore(t, s) }()
	fill(t, s, 50)
	settle(t, s)
	before := readDisk(t, dir)
	everyChange(t, s)
	after := readDisk(t, dir)
	if !bytes.Equal(before.data, after.data) {
		t.Error("the data file was changed without a checkpoint")
	}
	want, wantStats, wantLast := all(t, s), s.Stats(), last(t, s)
	c, _ := after.reopened(t, Options{})
	defer closeStore(t, c)
	sameRecords(t, all(t, c), want)
	verified(t, c)
	got := c.Stats()
	if got.Records != wantStats.Records || got.Damaged != wantStats.Damaged || fmt.Sprint(got.Open) != fmt.Sprint(wantStats.Open) {
		t.Errorf("Stats: %+v, want %+v", got, wantStats)
	}
	if got := last(t, c); got != wantLast {
		t.Errorf("the last number is %d, want %d", got, wantLast)
	}
	if v, err := c.Setting(t.Context(), "kept"); string(v) != "yes" || err != nil {
		t.Errorf("a setting: %q, %v", v, err)
	}
	if v, err := c.Setting(t.Context(), "gone"); v != nil || err != nil {
		t.Errorf("a setting that was taken away: %q, %v", v, err)
	}
	if _, known, err := c.Known(t.Context(), sample(3).Identity, 0); known || err != nil {
		t.Errorf("an identity that was forgotten is known: %v", err)
	}
}

func last(t testing.TB, s *Store) uint64 {
	t.Helper()
	n, err := s.Last(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// everyChange has a store of 50 records write each kind of edit.
func everyChange(t testing.TB, s *Store) {
	t.Helper()
	young := sample(900)
	young.Accepted.Age = queueAge(10_000)
	spawning := func(r *queue.Record) ([]*queue.Record, error) {
		r.Deliveries[0].Attempts++
		return []*queue.Record{sample(901)}, nil
	}
	for _, ops := range [][]queue.Op{
		{{New: young}, {New: sample(3), SameFor: time.Hour}},
		{{Seq: 7, Change: spawning}, {Seq: 7, Change: finish}},
		{{Put: map[string][]byte{"kept": []byte("yes"), "gone": []byte("soon"), "empty": {}}}},
		{{Put: map[string][]byte{"gone": nil}}},
		{{Seq: 8, Change: finish}, {Seq: 9999, Change: finish}},
	} {
		if _, err := s.Apply(context.Background(), ops...); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := s.Purge(context.Background(), 1500, queueAge(9_000), 100); n != 2 || err != nil {
		t.Fatalf("Purge: %d, %v", n, err)
	}
	if err := s.Skip(context.Background(), 500); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Apply(context.Background(), queue.Op{New: sample(902)}); err != nil {
		t.Fatal(err)
	}
}

// TestTornLog: cut at any byte, or with its last frame overwritten by anything,
// the log gives every commit but the torn one.
func TestTornLog(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	settle(t, s)
	before := s.walEnd(t)
	for i := range 3 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(100 + i)}); err != nil {
			t.Fatal(err)
		}
		if i < 2 {
			before = s.walEnd(t)
		}
	}
	end, d := s.walEnd(t), readDisk(t, dir)
	step := 1
	if testing.Short() {
		step = 17
	}
	d.log = append(d.log, make([]byte, 8)...)
	for at := before; at < end; at += int64(step) {
		torn := disk{d.data, slices.Clone(d.log)}
		if at%2 == 0 {
			clear(torn.log[at:end])
		} else {
			for i := at; i < end; i++ {
				torn.log[i] ^= byte(1 + i%255)
			}
		}
		c, cdir := torn.reopened(t, Options{})
		if n := len(all(t, c)); n != 7 {
			t.Fatalf("cut at byte %d of %d: %d records, want 7", at, end, n)
		}
		verified(t, c)
		done, err := c.Apply(t.Context(), queue.Op{New: sample(200)})
		if err != nil || done[0].Seq != 8 {
			t.Fatalf("cut at byte %d: the next record: %+v, %v", at, done, err)
		}
		if got := c.Stats(); got.Damaged != 0 || len(aside(t, cdir)) != 0 {
			t.Fatalf("cut at byte %d counts as damage", at)
		}
		again, _ := readDisk(t, cdir).reopened(t, Options{}) // written over what was torn
		if n := len(all(t, again)); n != 8 {
			t.Fatalf("cut at byte %d, and once more: %d records, want 8", at, n)
		}
		closeStore(t, again)
		closeStore(t, c)
	}
}

// walEnd is where the next frame goes.
func (s *Store) walEnd(t testing.TB) (end int64) {
	t.Helper()
	if err := s.alone(context.Background(), func() error { end = s.wal.end; return nil }); err != nil {
		t.Fatal(err)
	}
	return end
}

// TestDamagedLog: a frame that broke before others is damage: it is said, the log
// is kept aside, and the others are brought back.
func TestDamagedLog(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	settle(t, s)
	for i := range 9 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(100 + i)}); err != nil {
			t.Fatal(err)
		}
	}
	d := readDisk(t, dir)
	for at, nth := int64(walHead), 0; nth < 8; nth++ {
		broken := disk{d.data, slices.Clone(d.log)}
		broken.log[at+int64(nth*5)] ^= 1 // in the head of a frame, or in its edits
		t.Run(fmt.Sprint("frame ", nth), func(t *testing.T) { logLacks(t, broken, uint64(6+nth)) })
		at += frameHead + int64(binary.BigEndian.Uint32(d.log[at+24:]))
	}
}

func logLacks(t *testing.T, d disk, seq uint64) {
	c, dir := d.reopened(t, Options{})
	defer closeStore(t, c)
	got := all(t, c)
	if len(got) != 13 || got[seq] != nil {
		t.Errorf("%d records, want all but number %d", len(got), seq)
	}
	verified(t, c)
	if names, _ := filepath.Glob(filepath.Join(dir, "queue.damaged-*"+logExt)); len(names) != 1 {
		t.Errorf("set aside: %v", names)
	}
	if _, err := c.Apply(t.Context(), queue.Op{New: sample(300)}); err != nil {
		t.Fatal(err)
	}
	again, _ := readDisk(t, dir).reopened(t, Options{})
	defer closeStore(t, again)
	if n := len(all(t, again)); n != 14 {
		t.Errorf("%d records after another start, want 14", n)
	}
}

// TestNewerLog: a log that a newer posthouse wrote is refused and left alone.
func TestNewerLog(t *testing.T) {
	dir, _ := damagedDir(t, 5)
	d := readDisk(t, dir)
	d.log[len(walMagic)-2]++
	d.put(t, dir)
	if _, err := Open(filepath.Join(dir, "queue.db"), Options{}); !errors.Is(err, ErrNewer) {
		t.Fatalf("Open: %v", err)
	}
	if after := readDisk(t, dir); !bytes.Equal(after.log, d.log) || !bytes.Equal(after.data, d.data) {
		t.Error("a file was touched")
	}
}

// TestWithoutLog: a file of the time before the log opens, and is one of today
// after its first commit, which is not in the log alone.
func TestWithoutLog(t *testing.T) {
	dir, was := damagedDir(t, 50)
	rawUpdate(t, dir, func(tx *bolt.Tx) error {
		b := tx.Bucket(stateBucket)
		return errors.Join(b.Delete(markKey), b.Put(schemaKey, []byte{1}))
	})
	if err := os.Remove(filepath.Join(dir, "queue.db"+logExt)); err != nil {
		t.Fatal(err)
	}
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	sameRecords(t, all(t, s), was)
	for i := range 2 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(900 + i)}); err != nil {
			t.Fatal(err)
		}
		c, _ := readDisk(t, dir).reopened(t, Options{})
		if n := len(all(t, c)); n != 51+i {
			t.Errorf("%d records, want %d", n, 51+i)
		}
		verified(t, c)
		closeStore(t, c)
	}
}

// TestLogOfAnother: a log is left out that belongs to another queue, or to what
// this one became after the backup that lies there now.
func TestLogOfAnother(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	settle(t, s)
	old := readDisk(t, dir)
	for i := range 3 {
		if _, err := s.Apply(t.Context(), queue.Op{New: sample(100 + i)}); err != nil {
			t.Fatal(err)
		}
		settle(t, s)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(200)}); err != nil {
		t.Fatal(err)
	}
	c, cdir := disk{old.data, readDisk(t, dir).log}.reopened(t, Options{})
	defer closeStore(t, c)
	if n := len(all(t, c)); n != 5 {
		t.Errorf("%d records, the backup has 5", n)
	}
	if names, _ := filepath.Glob(filepath.Join(cdir, "queue.damaged-*"+logExt)); len(names) != 1 {
		t.Errorf("set aside: %v", names)
	}
	verified(t, c)
}

// TestDamagedDataFileWithLog: what a damaged data file has lost and the log has
// is brought back; what was purged stays away.
func TestDamagedDataFileWithLog(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 50)
	settle(t, s)
	everyChange(t, s)
	want, d := all(t, s), readDisk(t, dir)
	for name, breakIt := range map[string]func(b []byte){
		"both meta pages are gone": func(b []byte) { clear(b[:8192]) },
		"the newest meta page is gone": func(b []byte) {
			at := 0
			if binary.LittleEndian.Uint64(b[4096+16+48:]) > binary.LittleEndian.Uint64(b[16+48:]) {
				at = 4096
			}
			clear(b[at : at+4096])
		},
		"a page of records has wrong numbers": func(b []byte) {
			binary.LittleEndian.PutUint64(b[pageOf(t, b, 20):], 1<<40)
		},
	} {
		t.Run(name, func(t *testing.T) {
			broken := disk{slices.Clone(d.data), d.log}
			breakIt(broken.data)
			c, cdir := broken.reopened(t, Options{})
			defer closeStore(t, c)
			sameRecords(t, all(t, c), want)
			verified(t, c)
			if v, err := c.Setting(t.Context(), "kept"); string(v) != "yes" || err != nil {
				t.Errorf("a setting of the log: %q, %v", v, err)
			}
			if len(aside(t, cdir)) != 1 {
				t.Errorf("set aside: %v", aside(t, cdir))
			}
		})
	}
}

// powerCut models what a disk may hold when the power goes in a checkpoint: of
// the pages of the data file that were to be written any, the meta page only
// when all of them; each sector of a page, or not; and the log as it was.
func powerCut(before, after disk, rnd *rand.Rand) disk {
	const sector = 512
	d := disk{make([]byte, len(after.data)), slices.Clone(before.log)}
	copy(d.data, before.data)
	whole := rnd.IntN(4) == 0
	for at := 0; at < len(after.data); at += sector {
		meta := at < 2*4096
		if !meta && (whole || rnd.IntN(2) == 0) || meta && whole && rnd.IntN(2) == 0 {
			copy(d.data[at:min(at+sector, len(d.data))], after.data[at:])
		}
	}
	if rnd.IntN(2) == 0 && len(before.data) > 0 { // the new length may be lost, too
		if !whole {
			d.data = d.data[:len(before.data)]
		}
	}
	return d
}

// TestPowerCutInCheckpoint: whatever is left of a checkpoint, everything that was
// confirmed is there.
func TestPowerCutInCheckpoint(t *testing.T) {
	rounds := 60
	if testing.Short() {
		rounds = 20
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	for range rounds {
		dir := t.TempDir()
		s := openIn(t, dir, Options{NoSync: true})
		for range rnd.IntN(4) {
			fill(t, s, 1+rnd.IntN(100))
			settle(t, s)
		}
		fill(t, s, 1+rnd.IntN(300))
		for range rnd.IntN(30) {
			if _, err := s.Apply(t.Context(), queue.Op{Seq: 1 + rnd.Uint64N(40), Change: finish}); err != nil {
				t.Fatal(err)
			}
		}
		want, before := all(t, s), readDisk(t, dir)
		settle(t, s)
		c, cdir := powerCut(before, readDisk(t, dir), rnd).reopened(t, Options{})
		sameRecords(t, all(t, c), want)
		verified(t, c)
		if len(aside(t, cdir)) != 0 {
			t.Error("a power cut counts as damage")
		}
		closeStore(t, c)
		closeStore(t, s)
		if t.Failed() {
			return
		}
	}
}

// TestPowerCutWhileLogging: the log keeps each confirmed commit, whichever sectors
// of the one that was being written got to the disk.
func TestPowerCutWhileLogging(t *testing.T) {
	rnd := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 2))
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	for i := range 60 {
		before, want := readDisk(t, dir), all(t, s)
		ops := make([]queue.Op, 1+rnd.IntN(20))
		for k := range ops {
			ops[k].New = sample(1000*i + k)
		}
		if _, err := s.Apply(t.Context(), ops...); err != nil {
			t.Fatal(err)
		}
		after := readDisk(t, dir)
		if !bytes.Equal(before.data, after.data) {
			continue // a checkpoint
		}
		cut := disk{before.data, slices.Clone(before.log)}
		for len(cut.log) < len(after.log) {
			cut.log = append(cut.log, 0)
		}
		for at := 0; at < len(after.log); at += 512 {
			if rnd.IntN(2) == 0 {
				copy(cut.log[at:min(at+512, len(cut.log))], after.log[at:])
			}
		}
		c, cdir := cut.reopened(t, Options{})
		got := all(t, c)
		if len(got) != len(want) && len(got) != len(want)+len(ops) {
			t.Fatalf("%d records, want %d or %d", len(got), len(want), len(want)+len(ops))
		}
		for seq := range got {
			if want[seq] == nil {
				delete(got, seq)
			}
		}
		sameRecords(t, got, want)
		verified(t, c)
		if names, _ := filepath.Glob(filepath.Join(cdir, "queue.damaged-*")); len(names) != 0 {
			t.Errorf("a power cut counts as damage: %v", names)
		}
		closeStore(t, c)
	}
}

// TestLogFails: a log that cannot be written makes the commit fail, none of it is
// seen, and a checkpoint makes the store work again.
func TestLogFails(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	broken := errors.New("the card was pulled out")
	err := s.alone(t.Context(), func() error {
		s.wal.sync = func(*os.File) error {
			s.wal.sync = func(*os.File) error { return nil }
			return broken
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(100)}); !errors.Is(err, broken) {
		t.Fatalf("Apply: %v", err)
	}
	if n := len(all(t, s)); n != 5 {
		t.Errorf("%d records are seen, want 5", n)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(101)}); err != nil {
		t.Errorf("Apply, once it can be written: %v", err)
	}
	if n := len(all(t, s)); n != 6 {
		t.Errorf("%d records are seen, want 6", n)
	}
	verified(t, s)
}

// TestCheckpointThatOnlySeemedToFail: the data file has it, and what is written to
// the log then counts.
func TestCheckpointThatOnlySeemedToFail(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	err := s.alone(t.Context(), func() error {
		return s.touch(func(txn *txn) error {
			if _, err := s.commit(txn); err != nil {
				return err
			}
			s.wal.keep()
			var err error
			s.txn, err = begin(s.file, s.wal, s.opts)
			return err
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	fill(t, s, 3)
	c, _ := readDisk(t, dir).reopened(t, Options{})
	defer closeStore(t, c)
	if n := len(all(t, c)); n != 8 {
		t.Errorf("%d records, want 8", n)
	}
	verified(t, c)
}

// TestNobodyReadsWhatIsNotOnDisk: a record is not seen before the log is synced.
func TestNobodyReadsWhatIsNotOnDisk(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	looked := false
	err := s.alone(t.Context(), func() error {
		s.wal.sync = func(*os.File) error {
			looked = true
			if _, err := s.Get(context.Background(), 6); !errors.Is(err, queue.ErrNotFound) {
				t.Errorf("Get before the sync: %v", err)
			}
			if _, known, _ := s.Known(context.Background(), sample(100).Identity, 0); known {
				t.Error("its identity is known before the sync")
			}
			items, err := s.Heads(context.Background(), "far", message.Routine, 0, 5, 10)
			if len(items) != 0 || err != nil {
				t.Errorf("Heads before the sync: %v, %v", items, err)
			}
			return nil
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(100)}); err != nil || !looked {
		t.Fatalf("Apply: %v", err)
	}
	if _, err := s.Get(t.Context(), 6); err != nil {
		t.Errorf("Get after it: %v", err)
	}
}

// TestLargerThanTheLog: what has no room in the log goes into the data file.
func TestLargerThanTheLog(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	fill(t, s, 5)
	put := map[string][]byte{}
	for i := range 6 {
		put[fmt.Sprint("large", i)] = bytes.Repeat([]byte{byte(i)}, maxPayload)
	}
	if _, err := s.Apply(t.Context(), queue.Op{Put: put}, queue.Op{New: sample(100)}); err != nil {
		t.Fatal(err)
	}
	c, _ := readDisk(t, dir).reopened(t, Options{})
	defer closeStore(t, c)
	got, err := c.Settings(t.Context(), "large")
	if err != nil || len(got) != 6 || !bytes.Equal(got["large5"], put["large5"]) {
		t.Errorf("%d settings, %v", len(got), err)
	}
	if n := len(all(t, c)); n != 6 {
		t.Errorf("%d records, want 6", n)
	}
	verified(t, c)
}

// FuzzLog: no bytes make the reader of a frame panic, and edits that can be read
// come back as they were.
func FuzzLog(f *testing.F) {
	edits := []edit{{what: putRecord, seq: 7, val: []byte("record")}, {what: purge, seq: 1 << 40}, {what: setAside, seq: 3}, {what: skipTo, seq: 9},
		{what: putSetting, name: "k", val: []byte("v")}, {what: delSetting, name: "k"}, {what: forgetIDs, age: -5}, {what: purgedTo, age: 1 << 50}}
	var seed []byte
	for i := range edits {
		seed = edits[i].append(seed)
	}
	f.Add(seed)
	f.Add([]byte{'r', 1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _, _ = cutFrame(b)
		all, err := cutEdits(b)
		if err != nil {
			if all != nil {
				t.Fatal("edits in spite of an error")
			}
			return
		}
		var once []byte
		for i := range all {
			once = all[i].append(once)
		}
		again, err := cutEdits(once)
		if err != nil || fmt.Sprint(again) != fmt.Sprint(all) {
			t.Fatalf("%v comes back as %v: %v", all, again, err)
		}
		m := mark{1, 2}
		written := (&frame{m, 3, b}).append(nil)
		fr, rest, ok := cutFrame(append(written, 'x'))
		if !ok || fr.mark != m || fr.commit != 3 || !bytes.Equal(fr.edits, b) || string(rest) != "x" {
			t.Fatal("a frame does not come back")
		}
	})
}
