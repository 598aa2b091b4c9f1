package boltstore

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"sort"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

// Which identities were seen, when, and with which record. They are random hashes: as keys
// of a tree each new one would change a page of its own. So those since the last checkpoint
// are in a map, which a replay of the log rebuilds, and a checkpoint writes them as a run:
// one sorted value. Runs of about the same length are merged, so that an hour has few.
//
//	ident   hour / number         -> run: (identity seq age) ...
//	ident   hour / identity seq   -> age     until schema 2
//
// Each hour is a bucket, and is dropped as a whole.

// seen is when an identity came, and with which record.
type seen struct {
	seq uint64
	age clock.Age
}

const (
	idLen    = len(queue.Identity{})
	seenLen  = idLen + seqLen + ageLen
	leastRun = 4096 // bytes: shorter ones, up to a page, are always merged
	mostRun  = mib  // bytes: bounds the memory of a merge
)

// see notes the identities of a new record.
func (t *txn) see(r *queue.Record) {
	for _, id := range [...]queue.Identity{r.Identity, r.Event} {
		t.sight(Sighting{id, r.Seq, r.Accepted.Age})
	}
}

func (t *txn) sight(s Sighting) {
	if s.ID != (queue.Identity{}) && s.Seq >= t.sighted[s.ID].seq {
		t.sighted[s.ID] = seen{s.Seq, s.Age}
	}
}

// known finds the record of an identity that was seen at or after since; of several the
// one that was accepted last.
func (t *txn) known(id queue.Identity, since clock.Age) (uint64, bool) {
	if id == (queue.Identity{}) {
		return 0, false
	}
	if s, ok := t.sighted[id]; ok && s.age >= since {
		return s.seq, true
	}
	hours := t.bucket(ident)
	cur := hours.Cursor()
	for hour, _ := cur.Last(); hour != nil && getAge(hour) >= hourOf(since); hour, _ = cur.Prev() {
		if s, ok := lookUp(hours.Bucket(hour), id); ok && s.age >= since {
			return s.seq, true
		}
	}
	return 0, false
}

// lookUp finds the last sighting of an identity in an hour.
func lookUp(hour *bolt.Bucket, id queue.Identity) (last seen, ok bool) {
	cur := hour.Cursor()
	key, val := cur.First()
	for ; len(key) == seqLen; key, val = cur.Next() {
		if s, found := search(val, id); found && s.seq >= last.seq {
			last, ok = s, true
		}
	}
	if key == nil {
		return last, ok
	}
	if key, val = lastOf(hour, id[:]); key != nil && !ok {
		return seen{binary.BigEndian.Uint64(key[idLen:]), getAge(val)}, true
	}
	return last, ok
}

// search finds an identity in a run. It begins where the hash should be if they are evenly
// spread, and goes on from there in growing steps.
func search(run []byte, id queue.Identity) (seen, bool) {
	n := len(run) / seenLen
	before := func(i int) bool { return bytes.Compare(idAt(run, i), id[:]) < 0 }
	guess, _ := bits.Mul64(binary.BigEndian.Uint64(id[:]), uint64(n))
	from, to := int(guess), int(guess)
	for step := 1; from > 0 && !before(from-1); step *= 2 {
		from, to = max(0, from-step), from
	}
	for step := 1; to < n && before(to); step *= 2 {
		from, to = to+1, min(n, to+step)
	}
	i := from + sort.Search(to-from, func(i int) bool { return !before(from + i) })
	if i == n || !bytes.Equal(idAt(run, i), id[:]) {
		return seen{}, false
	}
	return seenAt(run, i), true
}

func idAt(run []byte, i int) []byte { return run[i*seenLen : i*seenLen+idLen] }

func seenAt(run []byte, i int) seen {
	b := run[i*seenLen+idLen:]
	return seen{binary.BigEndian.Uint64(b), getAge(b[seqLen:])}
}

// writeSeen puts what was seen since the last checkpoint into the data file.
func (t *txn) writeSeen() error {
	runs := map[clock.Age][]byte{}
	compare := func(a, b queue.Identity) int { return bytes.Compare(a[:], b[:]) }
	for _, id := range slices.SortedFunc(maps.Keys(t.sighted), compare) {
		s := t.sighted[id]
		hour := hourOf(s.age)
		runs[hour] = putAge(putSeq(append(runs[hour], id[:]...), s.seq), s.age)
	}
	for _, hour := range slices.Sorted(maps.Keys(runs)) {
		if err := t.addRun(putAge(nil, hour), runs[hour]); err != nil {
			return fmt.Errorf("writing identities: %w", err)
		}
	}
	clear(t.sighted)
	return nil
}

// addRun writes a run, merged with those before it that are not much longer.
func (t *txn) addRun(name, run []byte) error {
	hour, err := t.bucket(ident).CreateBucketIfNotExists(name)
	if err != nil {
		return err
	}
	var keys, vals [][]byte
	cur := hour.Cursor()
	for key, val := cur.First(); len(key) == seqLen; key, val = cur.Next() {
		keys, vals = append(keys, bytes.Clone(key)), append(vals, val)
	}
	i, size := len(keys), len(run)
	for i > 0 && len(vals[i-1]) <= max(2*size, leastRun) && len(vals[i-1])+size <= mostRun {
		i--
		size += len(vals[i])
	}
	run = merge(append(vals[i:], run))
	number := uint64(0)
	if i > 0 {
		number = binary.BigEndian.Uint64(keys[i-1]) + 1
	}
	for _, key := range keys[i:] {
		t.journal.note(indexName[ident], slices.Concat(name, key))
		if err := hour.Delete(key); err != nil {
			return err
		}
	}
	key := putSeq(nil, number)
	t.journal.note(indexName[ident], slices.Concat(name, key))
	return hour.Put(key, run)
}

// merge makes one run of several.
func merge(runs [][]byte) []byte {
	size := 0
	for _, run := range runs {
		size += len(run)
	}
	all := make([]byte, size)
	for _, run := range slices.Backward(runs) {
		size = mergeInto(all, size, run)
	}
	return all[size:]
}

// mergeInto merges the run a into the run all[from:], in place, and returns where the
// result begins; there is room for a before from. Of an identity that is in both, the
// record accepted last counts.
func mergeInto(all []byte, from int, a []byte) int {
	begin, b := from-len(a), all[from:]
	one := all[begin:begin]
	for len(a) >= seenLen && len(b) >= seenLen {
		switch c := bytes.Compare(a[:idLen], b[:idLen]); {
		case c < 0:
			one, a = append(one, a[:seenLen]...), a[seenLen:]
		case c > 0:
			one, b = append(one, b[:seenLen]...), b[seenLen:]
		case bytes.Compare(a[idLen:idLen+seqLen], b[idLen:idLen+seqLen]) > 0:
			b = b[seenLen:]
		default:
			a = a[seenLen:]
		}
	}
	one = append(append(one, a...), b...)
	begin = len(all) - len(one)
	copy(all[begin:], one)
	return begin
}
