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

// The schedule is a set of entries in index buckets. Most follow from one record alone
// (entries). Only ready, and later for heads, depend on which delivery is the first of
// its lane (crown). Keys, with item = seq, delivery:
//
//	lane    link precedence from to item   -> due        waits for its first transmission
//	ready   link precedence item           ->            head of its lane, no wait
//	later   link due item                  -> precedence a head that waits; no value: anything else with a time
//	held    base call item                 -> call       (the call only when the key has its hash)
//	frame   link to id item part           ->
//	open    link seq                       -> age precedence count    open deliveries of a record on a link
//	expire  age seq                        ->            records with an open delivery
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

// entries returns the index entries that follow from one record alone, in order.
func entries(r *queue.Record) []entry {
	var f filing
	for i := range r.Deliveries {
		f.delivery(r, i)
	}
	f.open(r)
	slices.SortFunc(f.all, entry.compare)
	return f.all
}

// filing collects entries. Keys and values are in separate memory, since bbolt keeps the
// values until the next checkpoint.
type filing struct {
	all        []entry
	keys, vals []byte
}

// Room for what most records need.
const (
	usualEntries = 4
	usualKeys    = 96 // bytes
	usualVals    = 32 // bytes
)

// begin returns the memory to append the next key and value to.
func (f *filing) begin() (key, val []byte) {
	if f.all == nil {
		f.all, f.keys, f.vals = make([]entry, 0, usualEntries), make([]byte, 0, usualKeys), make([]byte, 0, usualVals)
	}
	return f.keys, f.vals
}

// add adds an entry of what was appended since begin.
func (f *filing) add(i index, key, val []byte) {
	e := entry{index: i, key: slices.Clip(key[len(f.keys):])}
	if len(val) > len(f.vals) {
		e.val = slices.Clip(val[len(f.vals):])
	}
	f.all, f.keys, f.vals = append(f.all, e), key, val
}

func (f *filing) delivery(r *queue.Record, i int) {
	d := &r.Deliveries[i]
	item := func(b []byte) []byte { return putNth(putSeq(b, r.Seq), i) }
	key, val := f.begin()
	switch {
	case inLane(d):
		f.add(lanes, item(putLane(key, r.LaneOf(d))), putAge(val, d.Due))
	case d.State == queue.Later, d.State == queue.Local, d.State == queue.Passed, d.State == queue.Shadow, d.State == queue.Gathering:
		f.add(later, item(putAge(putText(key, d.Link), d.Due)), val)
	case d.State == queue.Held:
		call := callsign.Base(d.To)
		val = putAge(val, d.Due)
		if len(call) >= longText {
			val = append(val, call...)
		}
		f.add(held, item(putText(key, call)), val)
	}
	for n, p := range d.Parts {
		if p.ID != "" {
			key, val := f.begin()
			f.add(frames, putNth(item(putFrame(key, d.Link, d.To, p.ID)), n), val)
		}
	}
}

// inLane tells whether a delivery waits for its first transmission.
func inLane(d *queue.Delivery) bool {
	return d.State == queue.Ready || d.State == queue.Later && !d.Begun
}

// open adds the entries that count open deliveries, and the one that ends them in time.
func (f *filing) open(r *queue.Record) {
	perLink := map[string]uint64{}
	for i := range r.Deliveries {
		if r.Deliveries[i].State.Open() {
			perLink[r.Deliveries[i].Link]++
		}
	}
	for link, n := range perLink {
		v := openValue{accepted: r.Accepted.Age, precedence: r.Message.Precedence, count: n}
		key, val := f.begin()
		f.add(open, putSeq(putText(key, link), r.Seq), v.append(val))
	}
	if len(perLink) > 0 {
		key, val := f.begin()
		f.add(expire, putSeq(putAge(key, r.Expires), r.Seq), val)
	}
}

// openValue is what the open index knows about a record on one link.
type openValue struct {
	accepted   clock.Age
	precedence message.Precedence
	count      uint64
}

func (v openValue) append(b []byte) []byte {
	b = append(putAge(b, v.accepted), byte(v.precedence))
	return binary.AppendUvarint(b, v.count)
}

func readOpen(b []byte) openValue {
	n, _ := binary.Uvarint(b[ageLen+1:])
	return openValue{getAge(b), message.Precedence(b[ageLen]), n}
}

// file replaces the entries that a record had by those that it has now; either may be
// nil. Entries that stay the same are not touched. Removals come first: a delivery that
// leaves its lane and keeps its time has the same key in later, first as a head, then by
// itself.
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
		t.hint(e.key) // even if it is no head: the head may have been sent, and not filed yet
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

// crown makes a change to a lane, and then lists its first delivery as the head, and no
// other.
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

// head returns the entry for the first of a lane: in ready, or in later while it waits
// for a time.
func (t *txn) head(prefix []byte) (entry, bool) {
	if t.front == nil {
		t.front = t.bucket(lanes).Cursor()
	}
	key, val := t.front.Seek(prefix)
	if !bytes.HasPrefix(key, prefix) {
		return entry{}, false
	}
	return headEntry(key, val), true
}

// headEntry turns a lane's entry into that of a head.
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
