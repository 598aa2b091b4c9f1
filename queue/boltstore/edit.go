package boltstore

import (
	"encoding/binary"
	"fmt"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

// An edit is one change of the store as the log keeps it: the result of an op, not the
// op. The same edits on the same data file give the same store, so a start can replay
// the log.
type edit struct {
	what editKind
	seq  uint64    // of a record
	age  clock.Age // forgetIDs, purgedTo
	name string    // of a setting
	val  []byte    // payload of a record, value of a setting
	room []byte    // val with room for its seal in front; nil: val has none

	step *Step // of a mirror

	// What the draft knows about a putRecord; a replay finds it again.
	planned bool
	fresh   *queue.Record // when there was none before
	was, is []entry       // its index entries before and after
}

type editKind byte

const (
	putRecord  editKind = 'r'
	purge      editKind = 'p' // removes a finished record
	setAside   editKind = 'q' // takes a damaged record out of the schedule
	putSetting editKind = 's'
	delSetting editKind = 'd'
	skipTo     editKind = 'n' // the last number that counts as used
	forgetIDs  editKind = 'f' // removes the identities of the hours before an age
	purgedTo   editKind = 'a' // finished records before an age are gone
	followStep editKind = 'm' // of a mirror, so never in a log
)

// append writes an edit: its kind, a number, and for some a text with its length.
func (e *edit) append(b []byte) []byte {
	b = append(b, byte(e.what))
	switch e.what {
	case putRecord:
		b = appendBytes(binary.AppendUvarint(b, e.seq), e.val)
	case purge, setAside, skipTo:
		b = binary.AppendUvarint(b, e.seq)
	case putSetting:
		b = appendBytes(appendBytes(b, []byte(e.name)), e.val)
	case delSetting:
		b = appendBytes(b, []byte(e.name))
	case forgetIDs, purgedTo:
		b = binary.AppendVarint(b, int64(e.age))
	}
	return b
}

// size is at least what append adds, in bytes.
func (e *edit) size() int {
	return 1 + 3*binary.MaxVarintLen64 + len(e.name) + len(e.val)
}

func appendBytes(b, val []byte) []byte {
	return append(binary.AppendUvarint(b, uint64(len(val))), val...)
}

// cutEdits reads the edits of a frame; they share the memory of b.
func cutEdits(b []byte) (all []edit, err error) {
	c := cutter{b: b}
	for len(c.b) > 0 && !c.bad {
		e := edit{what: editKind(c.b[0])}
		c.b = c.b[1:]
		switch e.what {
		case putRecord:
			e.seq, e.val = c.number(), c.bytes()
		case purge, setAside, skipTo:
			e.seq = c.number()
		case putSetting:
			e.name, e.val = string(c.bytes()), c.bytes()
		case delSetting:
			e.name = string(c.bytes())
		case forgetIDs, purgedTo:
			e.age = clock.Age(c.signed())
		default:
			c.bad = true
		}
		all = append(all, e)
	}
	if c.bad {
		return nil, damaged("a frame of the log holds something else")
	}
	return all, nil
}

// cutter takes values off the front of b.
type cutter struct {
	b   []byte
	bad bool
}

func (c *cutter) number() uint64 {
	v, n := binary.Uvarint(c.b)
	c.skip(n)
	return v
}

func (c *cutter) signed() int64 {
	v, n := binary.Varint(c.b)
	c.skip(n)
	return v
}

func (c *cutter) bytes() []byte {
	n := c.number()
	if n > uint64(len(c.b)) {
		c.bad = true
		return nil
	}
	val := c.b[:n:n]
	c.b = c.b[n:]
	return val
}

func (c *cutter) skip(n int) {
	if n <= 0 {
		c.bad, n = true, 0
	}
	c.b = c.b[n:]
}

// carryOut makes an edit. It fails only if writing fails.
func (t *txn) carryOut(e *edit) error {
	switch e.what {
	case putRecord:
		return t.putRecord(e)
	case purge:
		return t.purge(e.seq)
	case setAside:
		return t.quarantine(e.seq)
	case putSetting:
		key := settingKey(e.name)
		return t.putPlain(settingBucket, key, isSetting.seal(key, e.val, t.counts.Commits))
	case delSetting:
		return t.delPlain(settingBucket, settingKey(e.name))
	case skipTo:
		return t.gave(e.seq)
	case forgetIDs:
		return t.forget(e.age)
	case followStep:
		return t.follow(e.step)
	case purgedTo:
		t.counts.Purged = max(t.counts.Purged, int64(e.age))
	}
	return nil
}

// putRecord writes a record and its index entries.
func (t *txn) putRecord(e *edit) error {
	if !e.planned {
		if err := t.plan(e); err != nil {
			return err
		}
	}
	if e.fresh != nil {
		t.counts.Records++
		t.see(e.fresh)
		if err := t.gave(e.seq); err != nil {
			return err
		}
	}
	key := recordKey(e.seq)
	var value []byte
	if e.room != nil {
		value = isRecord.sealIn(key, e.room, t.counts.Commits)
	} else {
		value = isRecord.seal(key, e.val, t.counts.Commits)
	}
	if err := t.putPlain(recordBucket, key, value); err != nil {
		return err
	}
	return t.file(e.was, e.is)
}

// gave notes that an accept number was used.
func (t *txn) gave(seq uint64) error {
	if seq <= t.records.Sequence() {
		return nil
	}
	if err := t.records.SetSequence(seq); err != nil {
		return fmt.Errorf("taking a number: %w", err)
	}
	return nil
}

// plan finds what a record in the log replaces.
func (t *txn) plan(e *edit) error {
	is, err := decode(e.seq, e.val)
	if err != nil {
		return err
	}
	e.is = entries(is)
	old := t.records.Get(recordKey(e.seq))
	if old == nil {
		e.fresh = is
		t.used += roomOf(len(e.val))
		return nil
	}
	was, err := openRecord(e.seq, old)
	if err != nil { // damaged since
		e.fresh = is
		return t.quarantine(e.seq)
	}
	e.was = entries(was)
	return nil
}

// redo replays a frame of the log.
func (t *txn) redo(f frame) error {
	edits, err := cutEdits(f.edits)
	if err != nil {
		return err
	}
	t.counts.Commits = f.commit
	for i := range edits {
		if err := t.carryOut(&edits[i]); err != nil {
			return err
		}
	}
	return nil
}
