package boltstore

import (
	"bytes"
	"encoding/binary"
	"slices"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// The schedule is a set of entries in index buckets. All but those of ready, and
// of later for heads, follow from one record alone (entries); who is the head of
// a lane follows from the lane (crown). Keys, with item = seq, delivery:
//
//	lane    link precedence from to item   -> due        waits for its first transmission
//	ready   link precedence item           ->            head of its lane, no wait
//	later   link due item                  -> precedence a head that waits; no value: anything else with a time
//	held    base call item                 -> call       (the call only when the key has its hash)
//	frame   link to id item part           ->
//	open    link seq                       -> age precedence count    open deliveries of a record on a link
//	expire  age seq                        ->            records with an open delivery
//	ident   hour / identity seq            -> age        one nested bucket an hour of age
type index int

const (
	lanes index = iota
	ready
	later
	held
	frames
	open
	expire
	ident
	indexes // how many there are
)

var indexName = [indexes][]byte{
	[]byte("lane"), []byte("ready"), []byte("later"), []byte("held"),
	[]byte("frame"), []byte("open"), []byte("expire"), []byte("ident"),
}

// entry is one key of an index with its value.
type entry struct {
	index    index
	key, val []byte
}

func (e entry) compare(o entry) int {
	if e.index != o.index {
		return int(e.index) - int(o.index)
	}
	return bytes.Compare(e.key, o.key)
}

// entries gives all that one record alone puts into the indexes, in order.
func entries(r *queue.Record) []entry {
	all := make([]entry, 0, 8)
	for i := range r.Deliveries {
		all = appendDelivery(all, r, i)
	}
	all = appendOpen(all, r)
	for _, id := range [...]queue.Identity{r.Identity, r.Event} {
		if id != (queue.Identity{}) {
			all = append(all, sighting(id, r.Seq, r.Accepted.Age))
		}
	}
	slices.SortFunc(all, entry.compare)
	return all
}

func sighting(id queue.Identity, seq uint64, age clock.Age) entry {
	key := append(putAge(nil, hourOf(age)), id[:]...)
	return entry{ident, putSeq(key, seq), putAge(nil, age)}
}

func appendDelivery(all []entry, r *queue.Record, i int) []entry {
	d := &r.Deliveries[i]
	item := func(b []byte) []byte { return putNth(putSeq(b, r.Seq), i) }
	switch {
	case inLane(d):
		all = append(all, entry{lanes, item(lanePrefix(r.LaneOf(d))), putAge(nil, d.Due)})
	case d.State == queue.Later, d.State == queue.Local, d.State == queue.Passed, d.State == queue.Shadow, d.State == queue.Gathering:
		all = append(all, entry{later, item(putAge(putText(nil, d.Link), d.Due)), nil})
	case d.State == queue.Held:
		call := callsign.Base(d.To)
		val := putAge(nil, d.Due)
		if len(call) >= longText {
			val = append(val, call...)
		}
		all = append(all, entry{held, item(putText(nil, call)), val})
	}
	for n, p := range d.Parts {
		if p.ID != "" {
			all = append(all, entry{frames, putNth(item(framePrefix(d.Link, d.To, p.ID)), n), nil})
		}
	}
	return all
}

// inLane tells whether a delivery waits for its first transmission.
func inLane(d *queue.Delivery) bool {
	return d.State == queue.Ready || d.State == queue.Later && !d.Begun
}

// appendOpen adds what counts open deliveries and ends them.
func appendOpen(all []entry, r *queue.Record) []entry {
	perLink := map[string]uint64{}
	for i := range r.Deliveries {
		if r.Deliveries[i].State.Open() {
			perLink[r.Deliveries[i].Link]++
		}
	}
	for link, n := range perLink {
		v := openValue{accepted: r.Accepted.Age, precedence: r.Message.Precedence, count: n}
		all = append(all, entry{open, putSeq(putText(nil, link), r.Seq), v.bytes()})
	}
	if len(perLink) > 0 {
		all = append(all, entry{expire, putSeq(putAge(nil, r.Expires), r.Seq), nil})
	}
	return all
}

// openValue is what the open index knows of a record on one link.
type openValue struct {
	accepted   clock.Age
	precedence message.Precedence
	count      uint64
}

func (v openValue) bytes() []byte {
	b := append(putAge(nil, v.accepted), byte(v.precedence))
	return binary.AppendUvarint(b, v.count)
}

func readOpen(b []byte) openValue {
	n, _ := binary.Uvarint(b[ageLen+1:])
	return openValue{getAge(b), message.Precedence(b[ageLen]), n}
}

// file replaces the entries that a record had by those that it has now; either
// may be nil. Entries that stay the same are not touched. All that goes is
// dropped first: a delivery that leaves its lane and keeps its time has the same
// key in later as before, as a head then and by itself now.
func (t *txn) file(was, is []entry) error {
	old := make([][]byte, len(is)) // values that are replaced
	for _, e := range was {
		i, stays := slices.BinarySearchFunc(is, e, entry.compare)
		if stays {
			old[i] = e.val
			if e.val == nil {
				old[i] = []byte{}
			}
		} else if err := t.drop(e); err != nil {
			return err
		}
	}
	for i, e := range is {
		if old[i] != nil && bytes.Equal(old[i], e.val) {
			continue
		}
		if err := t.add(e, old[i]); err != nil {
			return err
		}
	}
	return nil
}

// add files an entry; old is the value that it replaces.
func (t *txn) add(e entry, old []byte) error {
	switch e.index {
	case lanes:
		t.hint(e.key) // also behind a head: the head may be out already, its mark on the way
		return t.crown(e.key, func() error { return t.put(e.index, e.key, e.val) })
	case later:
		t.hint(e.key)
	case open:
		if old != nil {
			t.count(e.key, old, -1)
		}
		t.count(e.key, e.val, +1)
	}
	return t.put(e.index, e.key, e.val)
}

func (t *txn) drop(e entry) error {
	switch e.index {
	case lanes:
		return t.crown(e.key, func() error { return t.del(e.index, e.key) })
	case open:
		t.count(e.key, e.val, -1)
	}
	return t.del(e.index, e.key)
}

// crown makes a change to a lane and sees to it that its first is listed as its
// head afterwards, and nobody else of it.
func (t *txn) crown(key []byte, change func() error) error {
	prefix := key[:len(key)-itemLen]
	was, wasHead := t.head(prefix)
	if err := change(); err != nil {
		return err
	}
	is, isHead := t.head(prefix)
	if wasHead == isHead && was.compare(is) == 0 {
		return nil
	}
	if wasHead {
		if err := t.del(was.index, was.key); err != nil {
			return err
		}
	}
	if isHead {
		t.hint(is.key)
		return t.put(is.index, is.key, is.val)
	}
	return nil
}

// head gives the entry that lists the first of a lane: in ready, or in later
// while it has a time to wait for.
func (t *txn) head(prefix []byte) (entry, bool) {
	key, val := t.bucket(lanes).Cursor().Seek(prefix)
	if !bytes.HasPrefix(key, prefix) {
		return entry{}, false
	}
	return headEntry(key, val), true
}

// headEntry turns a lane's entry into the one that lists it as head.
func headEntry(key, val []byte) entry {
	item := key[len(key)-itemLen:]
	_, rest, _ := cutText(key)
	link, p := key[:len(key)-len(rest)], rest[0]
	due := getAge(val)
	if due == 0 {
		return entry{ready, slices.Concat(link, []byte{p}, item), nil}
	}
	return entry{later, slices.Concat(putAge(bytes.Clone(link), due), item), []byte{p}}
}
