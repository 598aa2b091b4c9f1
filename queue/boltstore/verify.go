package boltstore

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// implied is what follows from the records of a file: its index entries and counters.
type implied struct {
	t       *txn
	tx      *bolt.Tx
	stored  *counts
	entries [indexes]map[string][]byte
	counts  counts
}

func verify(t *txn) error {
	w := &implied{t: t, tx: t.tx, stored: &t.counts, counts: counts{Open: map[string]int64{}}}
	for i := range w.entries {
		w.entries[i] = map[string][]byte{}
	}
	if err := w.readRecords(); err != nil {
		return err
	}
	w.crownLanes()
	var errs []error
	for i := range ident {
		errs = append(errs, w.compare(i))
	}
	return errors.Join(append(errs, w.compareRuns(), w.compareCounts())...)
}

func (w *implied) readRecords() error {
	return w.tx.Bucket(recordBucket).ForEach(func(key, val []byte) error {
		seq := binary.BigEndian.Uint64(key)
		r, err := openRecord(seq, val)
		if err != nil {
			return err
		}
		w.counts.Records++
		if err := w.isKnown(r); err != nil {
			return err
		}
		for _, e := range entries(r) {
			w.entries[e.index][string(e.key)] = e.val
			if e.index == open {
				v := readOpen(e.val)
				w.counts.Open[countKey(e.key[:len(e.key)-seqLen], v.precedence)] += int64(v.count)
			}
		}
		return nil
	})
}

// crownLanes adds the heads, found without the help of the index.
func (w *implied) crownLanes() {
	first := map[string]string{}
	for key := range w.entries[lanes] {
		lane := key[:len(key)-itemLen]
		if old, ok := first[lane]; !ok || key < old {
			first[lane] = key
		}
	}
	for _, key := range first {
		e := headEntry([]byte(key), w.entries[lanes][key])
		w.entries[e.index][string(e.key)] = e.val
	}
}

func (w *implied) compare(i index) error {
	left := maps.Clone(w.entries[i])
	check := func(key, val []byte) error {
		wanted, ok := left[string(key)]
		delete(left, string(key))
		switch {
		case !ok:
			return fmt.Errorf("index %s holds %q, which no record implies", indexName[i], key)
		case !bytes.Equal(val, wanted):
			return fmt.Errorf("index %s holds %q with %q, the records imply %q", indexName[i], key, val, wanted)
		}
		return nil
	}
	if err := w.tx.Bucket(indexName[i]).ForEach(check); err != nil {
		return err
	}
	for key := range left {
		return fmt.Errorf("index %s lacks %q", indexName[i], key)
	}
	return nil
}

// isKnown tells whether the identities of a record are known by it or a later one.
func (w *implied) isKnown(r *queue.Record) error {
	if int64(hourOf(r.Accepted.Age)) < w.stored.Forgotten {
		return nil
	}
	for _, id := range [...]queue.Identity{r.Identity, r.Event} {
		seq, ok := w.t.known(id, r.Accepted.Age)
		if id != (queue.Identity{}) && (!ok || seq < r.Seq) {
			return fmt.Errorf("identity %x of record %d is not known by it", id, r.Seq)
		}
	}
	return nil
}

// compareRuns checks that each run is in order and in its hour, and right about the records
// that still exist.
func (w *implied) compareRuns() error {
	hours := w.tx.Bucket(indexName[ident])
	return hours.ForEachBucket(func(hour []byte) error {
		return hours.Bucket(hour).ForEach(func(key, run []byte) error {
			if len(key) != seqLen {
				return nil // until schema 2
			}
			if len(run)%seenLen != 0 {
				return fmt.Errorf("run %x of identities has %d bytes", key, len(run))
			}
			for i := range len(run) / seenLen {
				s, ok := search(run, queue.Identity(idAt(run, i)))
				if !ok || s != seenAt(run, i) || !bytes.Equal(putAge(nil, hourOf(s.age)), hour) {
					return fmt.Errorf("run %x of identities is out of order at %d", key, i)
				}
				r, err := readRecord(w.tx, s.seq)
				if err == nil && r.Identity != queue.Identity(idAt(run, i)) && r.Event != queue.Identity(idAt(run, i)) {
					return fmt.Errorf("record %d is known by an identity that it does not have", s.seq)
				}
			}
			return nil
		})
	})
}

func (w *implied) compareCounts() error {
	c, bad := w.stored, int64(0)
	err := w.tx.Bucket(damagedBucket).ForEach(func(_, _ []byte) error { bad++; return nil })
	if err != nil {
		return err
	}
	if c.Records != w.counts.Records || c.Damaged != bad || !maps.Equal(c.Open, w.counts.Open) {
		return fmt.Errorf("%w: counters say %d records, %d damaged, open %v; there are %d, %d, %v",
			queue.ErrDamaged, c.Records, c.Damaged, c.Open, w.counts.Records, bad, w.counts.Open)
	}
	return nil
}
