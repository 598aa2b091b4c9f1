package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/clock"
	"posthouse/queue"
	"posthouse/queue/line"
)

// A file may also be the mirror of a store elsewhere: then only Follow writes to it, and
// its indexes answer that store's reads. The number in the seal of a mirrored record is its
// revision there. A mirror has no log: each group of steps goes into the file at once.

// OpenMirror makes an empty file for a mirror at path, and replaces an old one: a mirror
// is not synced, so an old one may be incomplete.
func OpenMirror(path string, opts Options) (*Store, error) {
	opts.NoSync, opts.MinFree, opts.MaxBytes, opts.noLog = true, -1, mostMirrored, true
	return openAt(path, opts, true)
}

// mostMirrored bounds a mirror's file: the store that it mirrors has its own limits.
const mostMirrored = 24 << 30

// Copy is one record as the mirrored store has it.
type Copy struct {
	Seq      uint64
	Payload  []byte // what Encode made
	Revision int64  // of the record; grows with each change
}

// Step takes a mirror from one revision of the whole store to a later one.
type Step struct {
	// From is the revision that the mirror must have; Anyhow: any. After a step with a To
	// of 0 it has none.
	From, To int64

	Copies []Copy
	Gone   []uint64
	// Records in (After, Upto] that are not among Copies are removed, too.
	After, Upto uint64

	// Sightings are identities whose records may be gone.
	Sightings []Sighting

	Put map[string][]byte // settings; nil removes
}

// Sighting is an identity, with the record that was accepted with it last.
type Sighting struct {
	ID  queue.Identity
	Seq uint64
	Age clock.Age // of the record's acceptance
}

// Anyhow is a Step's From that fits any mirror.
const Anyhow = -1

// ErrBehind says that a mirror does not have the From of a Step: it was damaged and
// repaired, and has to be filled again.
var ErrBehind = errors.New("the mirror does not stand where the next step begins")

// Follow makes a step, all or nothing. It returns once reads see it.
func (s *Store) Follow(ctx context.Context, step Step) error {
	return s.do(ctx, &call{Call: line.Call{Ops: 1 + len(step.Copies)}, carry: func(d *draft) error { return d.follow(&step) }})
}

// follow drafts a step, after the steps before it in the same batch.
func (d *draft) follow(step *Step) error {
	if step.From != Anyhow && step.From != d.mirrored {
		return ErrBehind
	}
	d.mirrored = step.To
	d.edits = append(d.edits, edit{what: followStep, step: step})
	return nil
}

// Copied reads one record, with its revision in the mirrored store.
func (s *Store) Copied(ctx context.Context, seq uint64) (r *queue.Record, revision int64, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		if r, err = readRecord(tx, seq); err != nil {
			return err
		}
		_, n, err := isRecord.unseal(recordKey(seq), tx.Bucket(recordBucket).Get(recordKey(seq)))
		revision = int64(n)
		return err
	})
	return r, revision, err
}

// Finished lists finished records that were accepted before an age, the oldest
// first, n at most.
func (s *Store) Finished(ctx context.Context, before clock.Age, n int) (all []uint64, err error) {
	err = s.view(ctx, func(tx *bolt.Tx) error {
		all, err = finished(ctx, tx, before, n)
		return err
	})
	return all, err
}

var mirrorKey = []byte("mirror") // in state: the revision of a mirror, 8 bytes

// follow makes a step.
func (t *txn) follow(step *Step) error {
	for _, c := range step.Copies {
		if err := t.copy(c); err != nil {
			return err
		}
	}
	for _, seq := range append(step.Gone, t.others(step)...) {
		if err := t.remove(seq); err != nil {
			return err
		}
	}
	for _, s := range step.Sightings {
		t.sight(s)
	}
	for _, e := range settingEdits(step.Put) {
		if err := t.carryOut(&e); err != nil {
			return err
		}
	}
	return t.putPlain(stateBucket, mirrorKey, binary.BigEndian.AppendUint64(nil, uint64(step.To)))
}

// mirrored is the revision of the whole mirror; 0: it has none.
func (t *txn) mirrored() int64 {
	b := t.tx.Bucket(stateBucket).Get(mirrorKey)
	if len(b) != 8 {
		return 0
	}
	return int64(binary.BigEndian.Uint64(b))
}

// copy replaces a record by that of the mirrored store.
func (t *txn) copy(c Copy) error {
	key := recordKey(c.Seq)
	var was []entry
	switch old, err := readRecord(t.tx, c.Seq); {
	case err == nil:
		was = entries(old)
		t.counts.Records--
	case errors.Is(err, queue.ErrDamaged):
		if err := t.unspoil(c.Seq); err != nil {
			return err
		}
	}
	r, err := decode(c.Seq, c.Payload)
	if err != nil { // what is damaged there is damaged here
		if err := t.file(was, nil); err != nil {
			return err
		}
		return t.setAside(key, c.Payload)
	}
	t.counts.Records++
	if was == nil {
		t.see(r)
	}
	if err := t.putPlain(recordBucket, key, isRecord.seal(key, c.Payload, uint64(c.Revision))); err != nil {
		return err
	}
	return t.file(was, entries(r))
}

// unspoil forgets the damaged copy of a record.
func (t *txn) unspoil(seq uint64) error {
	if err := t.quarantine(seq); err != nil {
		return err
	}
	t.counts.Damaged--
	return t.delPlain(damagedBucket, recordKey(seq))
}

// remove removes a record. Its identity is kept until its own time is over.
func (t *txn) remove(seq uint64) error {
	r, err := readRecord(t.tx, seq)
	if errors.Is(err, queue.ErrDamaged) {
		return t.unspoil(seq)
	}
	if err != nil {
		return nil // it is not here
	}
	return t.erase(r)
}

// others lists the records in the range of a step that are not among its copies.
func (t *txn) others(step *Step) (gone []uint64) {
	stays := map[uint64]bool{}
	for _, c := range step.Copies {
		stays[c.Seq] = true
	}
	for _, b := range []*bolt.Bucket{t.records, t.tx.Bucket(damagedBucket)} {
		cur := b.Cursor()
		for key, _ := seekAfter(cur, nil, step.After); key != nil && bytes.Compare(key, recordKey(step.Upto)) <= 0; key, _ = cur.Next() {
			if seq := binary.BigEndian.Uint64(key); !stays[seq] {
				gone = append(gone, seq)
			}
		}
	}
	return gone
}

// Encode returns the bytes of a record, without its Seq; a record that is too large is an
// error.
func Encode(r *queue.Record) ([]byte, error) { return encode(r) }

// Seal adds a checksum over a record's bytes and number to what Encode made.
func Seal(seq uint64, payload []byte) []byte { return isRecord.seal(recordKey(seq), payload, 0) }

// Unseal checks what Seal made and returns what it was made from.
func Unseal(seq uint64, value []byte) ([]byte, error) {
	payload, _, err := isRecord.unseal(recordKey(seq), value)
	if err != nil {
		return nil, fmt.Errorf("record %d: %w", seq, err)
	}
	return payload, nil
}

// Decode reads what Encode wrote.
func Decode(seq uint64, payload []byte) (*queue.Record, error) { return decode(seq, payload) }

// Clone copies a record as the store would return it.
func Clone(r *queue.Record) *queue.Record { return clone(r) }
