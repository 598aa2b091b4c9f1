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

// implied collects what the records of a file imply: its entries and counters.
type implied struct {
	tx      *bolt.Tx
	stored  *counts
	entries [indexes]map[string][]byte
	counts  counts
}

func verify(t *txn) error {
	w := &implied{tx: t.tx, stored: &t.counts, counts: counts{Open: map[string]int64{}}}
	for i := range w.entries {
		w.entries[i] = map[string][]byte{}
	}
	if err := w.readRecords(); err != nil {
		return err
	}
	w.crownLanes()
	var errs []error
	for i := range indexes {
		errs = append(errs, w.compare(i))
	}
	return errors.Join(append(errs, w.compareCounts())...)
}

func (w *implied) readRecords() error {
	return w.tx.Bucket(recordBucket).ForEach(func(key, val []byte) error {
		seq := binary.BigEndian.Uint64(key)
		r, err := openRecord(seq, val)
		if err != nil {
			return err
		}
		w.counts.Records++
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
		case !ok && i == ident && w.tx.Bucket(recordBucket).Get(key[len(key)-seqLen:]) == nil:
			return nil // the identity outlives its record
		case !ok:
			return fmt.Errorf("index %s holds %q, which no record implies", indexName[i], key)
		case !bytes.Equal(val, wanted):
			return fmt.Errorf("index %s holds %q with %q, the records imply %q", indexName[i], key, val, wanted)
		}
		return nil
	}
	b := w.tx.Bucket(indexName[i])
	err := b.ForEach(func(key, val []byte) error {
		if i != ident {
			return check(key, val)
		}
		return b.Bucket(key).ForEach(func(rest, val []byte) error {
			return check(append(bytes.Clone(key), rest...), val)
		})
	})
	if err != nil {
		return err
	}
	forgotten := w.stored.Forgotten
	for key := range left {
		if i == ident && int64(getAge([]byte(key))) < forgotten {
			continue
		}
		return fmt.Errorf("index %s lacks %q", indexName[i], key)
	}
	return nil
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
