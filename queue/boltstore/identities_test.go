package boltstore

import (
	"encoding/binary"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

// genID draws from few identities, of which half are like hashes and half lie close
// together, as no hashes do.
var genID = rapid.Map(rapid.Uint16Range(1, 400), func(n uint16) (id queue.Identity) {
	if n%2 == 0 {
		binary.BigEndian.PutUint64(id[:], uint64(n)*0x9E3779B97F4A7C15)
	}
	binary.BigEndian.PutUint16(id[14:], n)
	return id
})

// txns gives the transactions between the checkpoints of a file.
type txns struct {
	t  testing.TB
	db *bolt.DB
	*txn
}

func newTxns(t testing.TB) *txns {
	f, err := openFile(filepath.Join(t.TempDir(), "queue.db"), Options{NoSync: true}.withDefaults())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.db.Close() })
	x := &txns{t: t, db: f.db}
	x.begin()
	t.Cleanup(func() { x.tx.Rollback() })
	return x
}

func (x *txns) begin() {
	tx, err := x.db.Begin(true)
	if err != nil {
		x.t.Fatal(err)
	}
	x.txn = newTxn(tx, new(counts))
}

func (x *txns) checkpoint() {
	if err := x.save(mark{}); err != nil {
		x.t.Fatal(err)
	}
	if err := x.tx.Commit(); err != nil {
		x.t.Fatal(err)
	}
	x.begin()
}

// runs gives how many bytes each run has that the file holds.
func (x *txns) runs() (all []int) {
	hours := x.bucket(ident)
	err := hours.ForEachBucket(func(hour []byte) error {
		return hours.Bucket(hour).ForEach(func(_, run []byte) error {
			all = append(all, len(run))
			return nil
		})
	})
	if err != nil {
		x.t.Fatal(err)
	}
	return all
}

// TestIdentitiesAgainstAModel: whatever is seen, written and forgotten in whatever
// order, an identity is known by the record accepted last, and by none from before
// the time that is asked for.
func TestIdentitiesAgainstAModel(t *testing.T) {
	x := newTxns(t)
	seq, now := uint64(0), clock.Age(0)
	rapid.Check(t, func(t *rapid.T) {
		last := map[queue.Identity]seen{}
		forgotten := now
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"checkpoint", "see", "see", "forget"}).Draw(t, "step") {
			case "see":
				for _, id := range rapid.SliceOfN(genID, 1, 200).Draw(t, "ids") {
					seq, now = seq+1, now+clock.Age(rapid.SampledFrom([]int{0, 1, 900_000}).Draw(t, "time"))
					x.sight(Sighting{id, seq, now})
					last[id] = seen{seq, now}
				}
			case "checkpoint":
				x.checkpoint()
			case "forget":
				forgotten = max(forgotten, now-clock.Age(rapid.IntRange(0, 9_000_000).Draw(t, "back")))
				if err := x.forget(forgotten); err != nil {
					t.Fatal(err)
				}
			}
			since := max(forgotten, now-clock.Age(rapid.IntRange(0, 9_000_000).Draw(t, "since")))
			for _, id := range rapid.SliceOfN(genID, 1, 20).Draw(t, "asked") {
				want, ok := last[id]
				ok = ok && want.age >= since
				if got, known := x.known(id, since); known != ok || ok && got != want.seq {
					t.Fatalf("identity %x, last seen at %d with record %d: since %d known %v by %d", id, want.age, want.seq, since, known, got)
				}
			}
		}
		now += 7_200_000
		if err := x.forget(now); err != nil {
			t.Fatal(err)
		}
	})
}

// TestRunsAreFew: an hour of a hundred thousand has few runs, none of them too long
// to be written anew, and each identity is found, by the record accepted last.
func TestRunsAreFew(t *testing.T) {
	x := newTxns(t)
	rnd := rand.New(rand.NewPCG(1, 2))
	var ids []queue.Identity
	last := map[queue.Identity]uint64{}
	for seq := uint64(0); len(ids) < 100_000; {
		for range 1 + rnd.IntN(4000) {
			var id queue.Identity
			if binary.BigEndian.PutUint64(id[:], rnd.Uint64()); rnd.IntN(100) == 0 && len(ids) > 0 {
				id = ids[rnd.IntN(len(ids))]
			}
			seq++
			ids, last[id] = append(ids, id), seq
			x.sight(Sighting{id, seq, 1})
		}
		x.checkpoint()
		if runs := x.runs(); len(runs) > 12+2*len(ids)*seenLen/mostRun || slices.Max(runs) > mostRun {
			t.Fatalf("%d identities: runs of %v bytes", len(ids), runs)
		}
	}
	t.Logf("runs of %v bytes", x.runs())
	for id, want := range last {
		if seq, ok := x.known(id, 0); !ok || seq != want {
			t.Fatalf("identity %x: known %v by %d, want %d", id, ok, seq, want)
		}
		id[15] = 1
		if _, ok := x.known(id, 0); ok {
			t.Fatalf("identity %x is known, and was never seen", id)
		}
	}
}

// TestOneByOneIsOneRun: where little happens an hour is one run, however many
// checkpoints it has seen.
func TestOneByOneIsOneRun(t *testing.T) {
	x := newTxns(t)
	for i := range 60 {
		x.sight(Sighting{queue.Identity{byte(i), 1}, uint64(i + 1), clock.Age(i) * 60_000})
		x.checkpoint()
	}
	if runs := x.runs(); !slices.Equal(runs, []int{60 * seenLen}) {
		t.Errorf("runs of %v bytes", runs)
	}
}

// TestIdentitiesOfSchema2: a file of a time before the runs knows what it knew, and
// forgets it in time.
func TestIdentitiesOfSchema2(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{NoSync: true})
	fill(t, s, 100)
	closeStore(t, s)
	r, hour := sample(99), putAge(nil, 0) // record 1
	rawUpdate(t, dir, func(tx *bolt.Tx) error {
		hours := tx.Bucket(indexName[ident])
		if err := hours.DeleteBucket(hour); err != nil {
			return err
		}
		b, err := hours.CreateBucket(hour)
		for i := 0; err == nil && i < 100; i++ {
			id := sample(99 - i).Identity
			err = b.Put(putSeq(id[:], uint64(i+1)), putAge(nil, r.Accepted.Age))
		}
		if err != nil {
			return err
		}
		return tx.Bucket(stateBucket).Put(schemaKey, []byte{2})
	})
	s = openIn(t, dir, Options{NoSync: true})
	defer closeStore(t, s)
	newer := sample(1000)
	if _, err := s.Apply(t.Context(), queue.Op{New: newer}); err != nil {
		t.Fatal(err)
	}
	settle(t, s)
	verified(t, s)
	for _, r := range []*queue.Record{r, newer} {
		if d, err := s.Apply(t.Context(), queue.Op{New: r, SameFor: time.Hour}); err != nil || !d[0].Duplicate {
			t.Errorf("%x is not known: %+v, %v", r.Identity, d, err)
		}
	}
	if _, err := s.Purge(t.Context(), 0, 3*3600_000, 1); err != nil {
		t.Fatal(err)
	}
	if _, ok, err := s.Known(t.Context(), r.Identity, 0); ok || err != nil {
		t.Errorf("known %v after it was forgotten, %v", ok, err)
	}
}
