package queue

import (
	"context"
	"errors"
	"slices"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// A load reads the heads from the first one, since something old may go again: its time
// has come, or it was released. With many lanes it is mostly enough to read on after the
// heads that were read: new ones come last.
const (
	fewLanes    = 32               // with no more in memory each load begins at the first
	readOnFor   = time.Second      // else one after this time does
	rewindEvery = 15 * time.Second // or after this, if there are more heads than fit in memory
)

// stale makes the next choice read the store again.
func (w *window) stale() { w.fresh = false }

// reread makes it read the heads from the first, unless they do not fit in memory.
func (w *window) reread() {
	w.fresh = false
	if !w.full {
		w.from = seqs{}
	}
}

// load reads from the store new heads and resends that are due.
func (w *window) load(ctx context.Context) error {
	now := w.Clock.Age()
	if w.reshared.Swap(false) || len(w.foreign) > 100*lanesInMemory {
		clear(w.foreign)
		w.reread()
	}
	if w.OnePerAddressee && w.waiting == nil {
		if err := w.findUnacknowledged(ctx); err != nil {
			return err
		}
	}
	w.rewind(now)
	w.cut = false
	for _, p := range message.Precedences {
		if err := w.loadHeads(ctx, p, now); err != nil {
			return err
		}
	}
	if err := w.loadDue(ctx, now); err != nil {
		return err
	}
	w.fresh = true
	return nil
}

// rewind makes load read the heads from the first if it is time for that.
func (w *window) rewind(now clock.Age) {
	since := now.Sub(w.rewound)
	switch {
	case w.full && since < rewindEvery:
	case !w.full && since < readOnFor && w.laneCount() > fewLanes:
	default:
		w.rewound, w.from, w.full = now, seqs{}, false
	}
	w.whole = w.from == seqs{}
}

func (w *window) loadHeads(ctx context.Context, p message.Precedence, now clock.Age) error {
	var known map[itemKey]bool
	for {
		if len(w.lanes[p]) >= 4*lanesInMemory {
			w.cut, w.full = true, true
			return nil
		}
		heads, err := w.Store.Heads(ctx, w.Link, p, now, w.from[p], lanesInMemory)
		if err != nil {
			return err
		}
		if known == nil && len(heads) > 0 {
			known = w.inMemory(p)
		}
		for _, it := range heads {
			if l, ok := w.isPending(it.key()); ok {
				if l.key != (Lane{}) && !w.isStopped(l) { // it was sent: the lane goes on after it
					w.keep(l)
					l.last = max(l.last, it.Seq)
				}
				continue
			}
			if known[it.key()] || w.foreign[it.key()] {
				continue
			}
			if err := w.addHead(ctx, it); err != nil {
				return err
			}
		}
		if n := len(heads); n > 0 {
			w.from[p] = heads[n-1].Seq
		}
		if len(heads) < lanesInMemory {
			return nil
		}
	}
}

// inMemory returns the items in the lanes of one precedence, until its next call.
func (w *window) inMemory(p message.Precedence) map[itemKey]bool {
	clear(w.known)
	for _, l := range w.lanes[p] {
		for _, q := range l.queue {
			w.known[q.item.key()] = true
		}
	}
	return w.known
}

// addHead puts an item that the store lists as a head in front of its lane: a new lane,
// or one to whose front something came back.
func (w *window) addHead(ctx context.Context, it Item) error {
	r, err := w.read(ctx, it)
	if r == nil || err != nil {
		return err
	}
	key := r.LaneOf(&r.Deliveries[it.Delivery])
	if !w.isOurs(it, key) {
		return nil
	}
	l := w.lanes[key.Precedence][key]
	if l == nil {
		l = &lane{key: key}
		w.keep(l)
	}
	head := &pick{item: it, record: r, lane: l, precedence: r.Message.Precedence}
	if it.Seq < l.last && !(len(l.queue) > 0 && l.queue[0].again) { // older texts were released: there may be more after this one
		l.queue, l.last = nil, it.Seq
	}
	l.last = max(l.last, it.Seq)
	l.queue = append([]*pick{head}, l.queue...)
	return nil
}

// loadDue reads the deliveries whose acknowledgement did not come in time.
func (w *window) loadDue(ctx context.Context, now clock.Age) error {
	w.moreDue = false
	var items []Item
	for n := dueInMemory; ; n *= 4 { // the first ones may be on their way already, or heads
		if len(w.resends) >= dueInMemory {
			w.moreDue = true
			return nil
		}
		seen := len(items)
		var err error
		if items, err = w.Store.Due(ctx, w.Link, now, n); err != nil {
			return err
		}
		if err := w.addDue(ctx, items[min(seen, len(items)):]); err != nil || len(items) < n || n > 64*dueInMemory {
			return err
		}
	}
}

// addDue adds those of the deliveries that are in no lane.
func (w *window) addDue(ctx context.Context, items []Item) error {
	for _, it := range items {
		if _, ok := w.isPending(it.key()); ok || w.resends[it.key()] != nil || w.foreign[it.key()] {
			continue
		}
		r, err := w.read(ctx, it)
		if err != nil {
			return err
		}
		if r == nil || !r.Deliveries[it.Delivery].Begun {
			continue // a head that waited out an error is listed by Heads
		}
		key := r.LaneOf(&r.Deliveries[it.Delivery])
		if w.isQueued(it, key) || !w.isOurs(it, key) {
			continue
		}
		l := &lane{}
		l.queue = []*pick{{item: it, record: r, lane: l, precedence: r.Message.Precedence}}
		w.resends[it.key()] = l
	}
	return nil
}

// isQueued tells whether an item is in its lane in memory: its other parts go out from
// there, though the store lists it as due if the wait after a failed first try is over.
func (w *window) isQueued(it Item, key Lane) bool {
	l := w.lanes[key.Precedence][key]
	return l != nil && slices.ContainsFunc(l.queue, func(p *pick) bool { return p.item.key() == it.key() })
}

// refillable tells whether the store may have more of a lane than memory.
func (w *window) refillable(l *lane) bool { return l.key != (Lane{}) && l.last != 0 }

// front returns the next pick of a lane, and reads more from the store if needed; nil:
// there is none.
func (w *window) front(ctx context.Context, l *lane) (*pick, error) {
	for {
		if len(l.queue) > 0 {
			return l.queue[0], nil
		}
		if !w.refillable(l) {
			return nil, nil
		}
		items, err := w.Store.Behind(ctx, l.key, l.last, w.ahead())
		if err != nil {
			return nil, err
		}
		if len(items) == 0 {
			if !w.busy(l) {
				l.last = 0 // read to the end: the lane begins anew with its next head
			}
			return nil, nil
		}
		for _, it := range items {
			l.last = it.Seq
			if err := w.add(ctx, l, it); err != nil {
				return nil, err
			}
		}
	}
}

// ahead is how much of a lane is read at a time: the more lanes, the less.
func (w *window) ahead() int {
	return min(max(w.Batch, 16), max(1, aheadInMemory/max(1, w.laneCount())))
}

// add reads an item's record and puts it at the end of a lane, if it still
// waits for this link.
func (w *window) add(ctx context.Context, l *lane, it Item) error {
	if _, ok := w.isPending(it.key()); ok {
		return nil
	}
	r, err := w.read(ctx, it)
	if r == nil || err != nil {
		return err
	}
	l.queue = append(l.queue, &pick{item: it, record: r, lane: l, precedence: r.Message.Precedence})
	return nil
}

// read returns an item's record, or nil if it is gone, damaged, or does not wait for
// this link any more.
func (w *window) read(ctx context.Context, it Item) (*Record, error) {
	r, err := w.Store.Get(ctx, it.Seq)
	if errors.Is(err, ErrNotFound) || errors.Is(err, ErrDamaged) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if it.Delivery >= len(r.Deliveries) {
		return nil, nil
	}
	d := &r.Deliveries[it.Delivery]
	if d.Link != w.Link || d.State != Ready && d.State != Later || d.Due > w.Clock.Age() {
		return nil, nil
	}
	return r, nil
}
