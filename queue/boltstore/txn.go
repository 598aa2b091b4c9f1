package boltstore

import (
	"bytes"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// The buckets beside the indexes.
var (
	recordBucket  = []byte("rec")   // seq -> sealed record
	damagedBucket = []byte("bad")   // seq -> bytes of a record that could not be read
	settingBucket = []byte("set")   // 's' key -> sealed value
	stateBucket   = []byte("state") // see below

	schemaKey = []byte("schema") // one byte: version of the file's layout
	countsKey = []byte("counts") // CBOR of counts
	markKey   = []byte("mark")   // of the last checkpoint
)

// schema is the version of the layout that this program writes. 1 had no log, 2 one
// entry for each identity.
const schema = 3

// counts are kept with the records, so that a start need not count.
type counts struct {
	Records int64            `cbor:"1,keyasint"`
	Damaged int64            `cbor:"2,keyasint"`
	Commits uint64           `cbor:"3,keyasint"` // also numbers the values, see seal
	Open    map[string]int64 `cbor:"4,keyasint"` // text link, precedence -> open deliveries
	// Forgotten is the hour of age before which identities are gone.
	Forgotten int64 `cbor:"5,keyasint"`
	// Purged is the age before which finished records are gone, so that salvage does
	// not bring back an old copy from a free page.
	Purged int64 `cbor:"6,keyasint"`
}

func (c *counts) clone() counts {
	n := *c
	n.Open = make(map[string]int64, len(c.Open))
	for k, v := range c.Open {
		n.Open[k] = v
	}
	return n
}

// txn is the write transaction that is open between two checkpoints. All reads and
// writes go through it, one at a time.
type txn struct {
	tx      *bolt.Tx
	mark    mark // of the checkpoint that it began at
	counts  counts
	hints   map[string]struct{} // links where something became ready or due
	journal *journal            // of a running compaction; nil: none
	used    int64               // bytes of the file, about
	changed bool
	freed   bool                    // something was removed
	sighted map[queue.Identity]seen // since the checkpoint; see identities.go
	opened  [indexes]*bolt.Bucket
	records *bolt.Bucket
	front   *bolt.Cursor // of lanes; each Seek begins at the root
}

func newTxn(tx *bolt.Tx, c *counts) *txn {
	t := &txn{tx: tx, counts: c.clone(), hints: map[string]struct{}{}, sighted: map[queue.Identity]seen{}, records: tx.Bucket(recordBucket)}
	t.records.FillPercent = 0.7 // keys come in order; later changes make values a little larger
	return t
}

func (t *txn) bucket(i index) *bolt.Bucket {
	if t.opened[i] == nil {
		t.opened[i] = t.tx.Bucket(indexName[i])
	}
	return t.opened[i]
}

// put and del change an index other than that of identities.
func (t *txn) put(i index, key, val []byte) error {
	b := t.bucket(i)
	t.journal.note(indexName[i], key)
	if err := b.Put(key, val); err != nil {
		return fmt.Errorf("writing index %s: %w", indexName[i], err)
	}
	return nil
}

func (t *txn) del(i index, key []byte) error {
	b := t.bucket(i)
	t.journal.note(indexName[i], key)
	if err := b.Delete(key); err != nil {
		return fmt.Errorf("writing index %s: %w", indexName[i], err)
	}
	return nil
}

// putPlain and delPlain change a bucket other than the indexes.
func (t *txn) putPlain(bucket, key, val []byte) error {
	t.journal.note(bucket, key)
	if err := t.tx.Bucket(bucket).Put(key, val); err != nil {
		return fmt.Errorf("writing %s: %w", bucket, err)
	}
	return nil
}

func (t *txn) delPlain(bucket, key []byte) error {
	t.journal.note(bucket, key)
	if err := t.tx.Bucket(bucket).Delete(key); err != nil {
		return fmt.Errorf("writing %s: %w", bucket, err)
	}
	return nil
}

// count adds an entry of the open index to the counters, or subtracts it.
func (t *txn) count(key, val []byte, sign int64) {
	v := readOpen(val)
	of := countKey(key[:len(key)-seqLen], v.precedence)
	if t.counts.Open[of] += sign * int64(v.count); t.counts.Open[of] == 0 {
		delete(t.counts.Open, of)
	}
}

// countKey is the key of an open counter: the text of the link, the precedence.
func countKey(link []byte, p message.Precedence) string {
	return string(append(bytes.Clone(link), byte(p)))
}

// hint notes the link of a key of ready or later.
func (t *txn) hint(key []byte) {
	if link, _, ok := cutText(key); ok {
		t.hints[link] = struct{}{}
	}
}

// save is the last step of each transaction: it writes the identities, the counters,
// and the mark of the checkpoint.
func (t *txn) save(m mark) error {
	if err := t.writeSeen(); err != nil {
		return err
	}
	if err := t.putPlain(stateBucket, markKey, m.bytes()); err != nil {
		return err
	}
	if err := t.putPlain(stateBucket, schemaKey, []byte{schema}); err != nil {
		return err
	}
	b, err := encMode.Marshal(&t.counts)
	if err != nil {
		return fmt.Errorf("writing the counters: %w", err)
	}
	return t.putPlain(stateBucket, countsKey, isCounts.seal(countsKey, b, t.counts.Commits))
}

func loadCounts(tx *bolt.Tx) (counts, error) {
	b := tx.Bucket(stateBucket).Get(countsKey)
	if b == nil {
		return counts{}, nil
	}
	return openCounts(b)
}

// loadMark returns the mark of the last checkpoint; zero: the file is from before the
// log.
func loadMark(tx *bolt.Tx) mark {
	b := tx.Bucket(stateBucket).Get(markKey)
	if len(b) != markLen {
		return mark{}
	}
	return readMark(b)
}

func openCounts(b []byte) (c counts, err error) {
	payload, _, err := isCounts.unseal(countsKey, b)
	if err == nil {
		err = decMode.Unmarshal(payload, &c)
	}
	if err != nil {
		return c, fmt.Errorf("%w: its counters: %v", queue.ErrDamaged, err)
	}
	return c, nil
}
