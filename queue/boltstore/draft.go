package boltstore

import (
	"errors"
	"fmt"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// draft is the edits of a group commit before they are on disk. Planning them does not
// change the store, so that nobody reads what a power failure could still undo.
type draft struct {
	t     *txn
	edits []edit
	last  uint64 // the last accept number
	used  int64  // bytes, as txn.used
	room  room
	now   map[uint64]drafted // records that differ from t
	ids   map[queue.Identity]seen

	mirrored int64 // revision of a mirror
}

// drafted is a record after the edits so far; all zero: it is removed.
type drafted struct {
	payload []byte
	is      []entry
}

// room is how large the file may grow, in bytes. why is set if what keeps it from growing is
// no lack of room.
type room struct {
	normal, urgent int64
	why            error
}

// newDraft begins a draft of about so many edits.
func newDraft(t *txn, r room, edits int) *draft {
	return &draft{
		t: t, last: t.records.Sequence(), used: t.used, room: r, edits: make([]edit, 0, edits),
		now: make(map[uint64]drafted, edits), ids: map[queue.Identity]seen{}, mirrored: t.mirrored(),
	}
}

// read returns a record as it is after the edits so far, with its entries; known itself,
// if that is up to date.
func (d *draft) read(seq uint64, known *queue.Record) (*queue.Record, []entry, error) {
	if n, ok := d.now[seq]; ok {
		if n.payload == nil {
			return nil, nil, fmt.Errorf("record %d: %w", seq, queue.ErrNotFound)
		}
		r, err := decode(seq, n.payload)
		return r, n.is, err
	}
	r, err := readUnless(known, d.t.tx, seq)
	if errors.Is(err, queue.ErrDamaged) {
		d.edits = append(d.edits, edit{what: setAside, seq: seq})
	}
	if err != nil {
		return nil, nil, err
	}
	return r, entries(r), nil
}

// insert gives a new record its number. room holds its payload, see encodeIn.
func (d *draft) insert(r *queue.Record, room []byte) uint64 {
	d.last++
	r.Seq = d.last
	is := entries(r)
	d.put(edit{what: putRecord, seq: r.Seq, val: room[sealLen:], room: room, planned: true, fresh: r, is: is})
	for _, id := range [...]queue.Identity{r.Identity, r.Event} {
		if id != (queue.Identity{}) {
			d.ids[id] = seen{r.Seq, r.Accepted.Age}
		}
	}
	return r.Seq
}

// replace writes a record that was read before.
func (d *draft) replace(r *queue.Record, room []byte, was []entry) {
	d.put(edit{what: putRecord, seq: r.Seq, val: room[sealLen:], room: room, planned: true, was: was, is: entries(r)})
}

func (d *draft) put(e edit) {
	d.edits = append(d.edits, e)
	d.now[e.seq] = drafted{e.val, e.is}
}

// purge removes a record unless it has been reopened or removed meanwhile.
func (d *draft) purge(seq uint64) bool {
	r, _, err := d.read(seq, nil)
	if err != nil || r.Open() {
		return false
	}
	d.edits = append(d.edits, edit{what: purge, seq: seq})
	d.now[seq] = drafted{}
	return true
}

// known finds the record of an identity that was first seen at or after since.
func (d *draft) known(id queue.Identity, since clock.Age) (uint64, bool) {
	if s, ok := d.ids[id]; ok && s.age >= since {
		return s.seq, true
	}
	return d.t.known(id, since)
}

// admit returns ErrFull for a New if there is no room, or why the disk fails. Receipts,
// which may empty the store, and urgent ops may use the reserve.
func (d *draft) admit(r *queue.Record, urgent bool, size int) error {
	urgent = urgent || r.Message.Kind == message.Receipt || r.Message.Precedence == message.Emergency
	limit := d.room.normal
	if urgent {
		limit = d.room.urgent
	}
	d.used += roomOf(size)
	switch {
	case d.used > limit && d.room.why != nil:
		return d.room.why
	case d.used > limit:
		return fmt.Errorf("%w: %d MiB in use", queue.ErrFull, d.used>>20)
	}
	return nil
}

// roomOf estimates the space of a new record in the file, with its indexes.
func roomOf(payload int) int64 { return 2*int64(payload) + 512 }

// roomForAll takes the room for all New, if that stays clear of the limits.
func (d *draft) roomForAll(steps []step) bool {
	size := int64(0)
	for i := range steps {
		if steps[i].op.New != nil {
			size += roomOf(len(steps[i].room) - sealLen)
		}
	}
	if d.used+size > d.room.normal {
		return false
	}
	d.used += size
	return true
}

// frame encodes the edits for the log, in memory of the log.
func (d *draft) frame(w *wal) (f frame, memory []byte) {
	size := 0
	for i := range d.edits {
		size += d.edits[i].size()
	}
	b := w.room(size)
	for i := range d.edits {
		b = d.edits[i].append(b)
	}
	return frame{mark: d.t.mark, commit: d.t.counts.Commits + 1, edits: b[frameHead:]}, b
}

// carryOut makes the edits: from now on reads see them.
func (d *draft) carryOut() error {
	d.t.counts.Commits++
	d.t.used, d.t.changed = d.used, true
	for i := range d.edits {
		if err := d.t.carryOut(&d.edits[i]); err != nil {
			return err
		}
	}
	return nil
}
