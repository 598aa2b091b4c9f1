package queue

import (
	"cmp"
	"container/heap"
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// How much of a link's schedule is in memory: lanes of one precedence, and
// resends that are due. What is beyond stays on disk until there is room.
const (
	lanesInMemory = 256
	dueInMemory   = 256
	// aheadInMemory is how many records all lanes together read ahead, about.
	aheadInMemory = 4 * lanesInMemory
)

// Reading the heads begins with the first of them, as whatever waited for its time or
// was held may go again, however old it is. With many lanes that is not done at each
// look: what is new is behind the heads that were read.
const (
	fewLanes    = 32               // up to so many in memory it is
	readOnFor   = time.Second      // the longest that it is not
	rewindEvery = 15 * time.Second // and when there is more than memory holds, of which none might go
)

// window is the part of one link's schedule that is in memory. The schedule
// itself is in the store; the window can be thrown away at any time.
type window struct {
	CourierOptions

	lanes   [message.Routine + 1]map[Lane]*lane // by precedence
	resends map[itemKey]*lane                   // one delivery each, so that they hold up nobody
	fresh   bool                                // nothing new since the last load
	whole   bool                                // which read the heads from the first
	cut     bool                                // the store has more heads than memory took in
	full    bool                                // so it was since they were last read from the first
	moreDue bool                                // and more resends
	from    marks                               // Seq up to which heads were read
	rewound clock.Age                           // when they were last read from the first
	served  map[string]uint64                   // when each sender was last served
	turn    uint64
	waiting map[string]itemKey // addressee -> its unacknowledged delivery, with OnePerAddressee
	silent  map[string]bool    // addressees found waiting in this choice
	known   map[itemKey]bool   // see inMemory
	ranks   turns              // see inTurn
	tidyAt  int                // how many addressees in waiting are reason to look through them

	foreign  map[itemKey]bool // deliveries that another process has, so that they are not read again
	reshared atomic.Bool      // that may have changed

	mu      sync.Mutex // guards what filed touches, which is called by the store
	pending map[itemKey]*lane
}

// marks is one Seq for each precedence.
type marks [message.Routine + 1]uint64

type itemKey struct {
	seq      uint64
	delivery int
}

func (it Item) key() itemKey { return itemKey{it.Seq, it.Delivery} }

// lane is a Lane of which the front is in memory.
type lane struct {
	key     Lane
	queue   []*pick // the front, in order
	last    uint64  // Seq up to which the lane was read
	turn    uint64  // when its sender was last served, see inTurn
	out     int     // picks that are being carried
	pending int     // picks whose outcome is not on disk yet, these included; under window.mu
	stopped bool    // closed until those are on disk; under window.mu
}

func newWindow(o CourierOptions) *window {
	w := &window{
		CourierOptions: o,
		resends:        map[itemKey]*lane{},
		served:         map[string]uint64{},
		pending:        map[itemKey]*lane{},
		silent:         map[string]bool{},
		known:          map[itemKey]bool{},
		foreign:        map[itemKey]bool{},
		tidyAt:         firstTidy,
	}
	for p := range w.lanes {
		w.lanes[p] = map[Lane]*lane{}
	}
	return w
}

// stale has the next choice look into the store again.
func (w *window) stale() { w.fresh = false }

// reread has it read the heads from the first, unless memory was full of them.
func (w *window) reread() {
	w.fresh = false
	if !w.full {
		w.from = marks{}
	}
}

func (w *window) keep(l *lane)   { w.lanes[l.key.Precedence][l.key] = l }
func (w *window) forget(l *lane) { delete(w.lanes[l.key.Precedence], l.key) }

func (w *window) laneCount() (n int) {
	for _, lanes := range w.lanes {
		n += len(lanes)
	}
	return n
}

// back returns a pick that was not filed: to the front of its lane, or to the
// store's schedule.
func (w *window) back(p *pick, again bool) {
	w.filed(p)
	if !again || w.isStopped(p.lane) { // what failed in front of it goes first
		w.reread()
		return
	}
	p.again = true
	p.lane.queue = append([]*pick{p}, p.lane.queue...)
	if p.lane.key == (Lane{}) {
		w.resends[p.item.key()] = p.lane
	} else {
		w.keep(p.lane)
	}
}

// filed forgets a pick whose outcome the store has.
func (w *window) filed(p *pick) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, ok := w.pending[p.item.key()]; ok {
		delete(w.pending, p.item.key())
		p.returnLane()
		p.lane.pending--
		p.lane.stopped = p.lane.stopped && p.lane.pending > 0
	}
}

// stop closes a pick's lane until its outcome is on disk. What memory held of
// the lane is read again when the store lists its head.
func (w *window) stop(p *pick) {
	w.mu.Lock()
	p.lane.stopped = true
	w.mu.Unlock()
	p.lane.queue, p.lane.last = nil, 0
	w.forget(p.lane)
}

func (w *window) isStopped(l *lane) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return l.stopped
}

func (w *window) isPending(k itemKey) (*lane, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l, ok := w.pending[k]
	return l, ok
}

// choose takes up to Batch picks that may go out now. With none it says how
// long there will be nothing to do, unless woken.
func (w *window) choose(ctx context.Context) ([]*pick, time.Duration, error) {
	for {
		if !w.fresh {
			if err := w.load(ctx); err != nil {
				return nil, 0, err
			}
		}
		picks, wait, err := w.takeAll(ctx)
		if err != nil || len(picks) > 0 {
			return picks, 0, err
		}
		if w.makeRoom() {
			w.fresh = false
			continue
		}
		if !w.whole && !w.full {
			w.reread()
			continue
		}
		if w.full {
			wait = min(wait, rewindEvery)
		}
		due, ok, err := w.Store.NextDue(ctx, w.Link)
		if err != nil {
			return nil, 0, err
		}
		if ok {
			// What is due but was not taken is on its way to the disk, or waits for the pace.
			wait = min(wait, max(due.Sub(w.Clock.Age()), time.Second))
		}
		return nil, wait, nil
	}
}

// makeRoom tells whether a look into the store may bring more now. When memory
// is full of lanes of which none may go, they are let go of, and the reading goes
// on behind them: the oldest that may not go keep nobody else from going.
func (w *window) makeRoom() bool {
	if w.moreDue && len(w.resends) < dueInMemory {
		return true
	}
	if !w.cut {
		return false
	}
	if w.laneCount() < lanesInMemory {
		return true
	}
	room := false
	for _, lanes := range w.lanes {
		for key, l := range lanes {
			if l.out == 0 && !w.busy(l) && !(len(l.queue) > 0 && l.queue[0].again) {
				delete(lanes, key)
				room = true
			}
		}
	}
	return room
}

// pass is one look at the lanes of a precedence; with overdue set only what has
// waited too long is taken.
type pass struct {
	precedence message.Precedence
	overdue    bool
}

// The order of looks. On a paced link what has waited too long comes right
// behind the emergencies, in its own small share (protocol: a tenth of the air).
var (
	plainPasses = []pass{{message.Emergency, false}, {message.Priority, false}, {message.Welfare, false}, {message.Routine, false}}
	pacedPasses = append([]pass{plainPasses[0], {message.Welfare, true}, {message.Routine, true}}, plainPasses[1:]...)
)

// takeAll takes up to Batch picks in the order of the passes.
func (w *window) takeAll(ctx context.Context) (picks []*pick, wait time.Duration, err error) {
	wait = longestNap
	clear(w.silent)
	passes := plainPasses
	if w.Paced {
		passes = pacedPasses
	}
	for _, p := range passes {
		more, hold, stop, err := w.take(ctx, p.precedence, p.overdue, w.Batch-len(picks))
		if err != nil {
			return nil, 0, err
		}
		picks, wait = append(picks, more...), min(wait, hold)
		if stop || len(picks) == w.Batch {
			break
		}
	}
	return picks, wait, nil
}

// take picks up to n of one precedence, a turn for each sender. stop is set when
// the link's pace holds up this precedence and all below it.
func (w *window) take(ctx context.Context, p message.Precedence, overdue bool, n int) (picks []*pick, wait time.Duration, stop bool, err error) {
	wait = longestNap
	lanes := w.inTurn(p)
	defer func() { clear(w.ranks) }() // keeps no lane alive
	for lanes.Len() > 0 && len(picks) < n {
		l := heap.Pop(lanes).(*lane)
		next, err := w.front(ctx, l)
		if err != nil {
			return picks, wait, false, err
		}
		if next == nil || overdue && !w.Carrier.Overdue(next.record) || w.addresseeBusy(ctx, next) {
			continue
		}
		hold, stepAside := time.Duration(0), false
		if w.Paced {
			hold, stepAside = w.Carrier.Pace(next.record, next.item.Delivery)
		}
		if hold > 0 {
			wait = min(wait, hold)
			if !stepAside {
				return picks, wait, true, nil
			}
			continue
		}
		if !w.lend(l, next) {
			continue
		}
		if w.Room != nil && !w.Room(next.record, next.item.Delivery) {
			next.returnLane()
			continue
		}
		picks = append(picks, w.pick(ctx, l, next))
		if w.InOrder && w.refillable(l) {
			l.turn = w.turn
			heap.Push(lanes, l) // what is behind it comes when the others have had a turn
		} // else one at a time: if it fails, what is behind it may not be out already
	}
	return picks, wait, false, nil
}

// pick takes the front of a lane out.
func (w *window) pick(ctx context.Context, l *lane, p *pick) *pick {
	l.queue = l.queue[1:]
	w.turn++
	w.served[p.record.Message.From] = w.turn
	if len(w.served) > 10*lanesInMemory {
		clear(w.served) // turns begin anew; memory stays bounded
	}
	if w.OnePerAddressee && p.record.Message.Kind == message.Text {
		w.await(ctx, p)
	}
	w.mu.Lock()
	w.pending[p.item.key()] = l
	l.pending++
	w.mu.Unlock()
	l.out++
	delete(w.resends, p.item.key())
	return p
}

// inTurn gives the lanes and resends of one precedence that may be served, in
// the order of turns: who waited longest for a turn first, then the oldest. Mostly few
// of them are asked for, so they are not all put into order.
func (w *window) inTurn(p message.Precedence) *turns {
	w.ranks = w.ranks[:0]
	add := func(l *lane) {
		l.turn = w.served[l.sender()]
		w.ranks = append(w.ranks, l)
	}
	for key, l := range w.lanes[p] {
		if len(l.queue) == 0 && l.last == 0 && !w.busy(l) {
			delete(w.lanes[p], key)
		} else if l.out == 0 {
			add(l)
		}
	}
	for _, l := range w.resends {
		if l.queue[0].precedence == p {
			add(l)
		}
	}
	heap.Init(&w.ranks)
	return &w.ranks
}

// turns is a heap of lanes.
type turns []*lane

func (t turns) Len() int      { return len(t) }
func (t turns) Swap(i, j int) { t[i], t[j] = t[j], t[i] }
func (t turns) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(t[i].turn, t[j].turn), cmp.Compare(t[i].first(), t[j].first())) < 0
}
func (t *turns) Push(l any) { *t = append(*t, l.(*lane)) }
func (t *turns) Pop() any {
	last := len(*t) - 1
	l := (*t)[last]
	(*t)[last], *t = nil, (*t)[:last]
	return l
}

func (w *window) busy(l *lane) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return l.pending > 0
}

func (l *lane) sender() string {
	if len(l.queue) > 0 {
		return l.queue[0].record.Message.From
	}
	return l.key.From
}

func (l *lane) first() uint64 {
	if len(l.queue) > 0 {
		return l.queue[0].item.Seq
	}
	return l.last
}

// refillable tells whether the store may have more of a lane than memory.
func (w *window) refillable(l *lane) bool { return l.key != (Lane{}) && l.last != 0 }

// front gives the next pick of a lane, reading on in the store when memory has
// no more; nil when there is none.
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
				l.last = 0 // read to the end: the next head listing starts it anew
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

// ahead is how much of one lane is read at a time: many lanes share the room.
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

// read gives an item's record, or nil when it is gone, damaged, or no longer
// waits for this link.
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

// load brings the window up to the store: new heads, resends that are due.
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

// rewind has the heads read from the first when it is time to.
func (w *window) rewind(now clock.Age) {
	since := now.Sub(w.rewound)
	switch {
	case w.full && since < rewindEvery:
	case !w.full && since < readOnFor && w.laneCount() > fewLanes:
	default:
		w.rewound, w.from, w.full = now, marks{}, false
	}
	w.whole = w.from == marks{}
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
				if l.key != (Lane{}) && !w.isStopped(l) { // it has gone out: its lane goes on behind it
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

// inMemory gives the items that are in the lanes of one precedence.
func (w *window) inMemory(p message.Precedence) map[itemKey]bool {
	clear(w.known) // one is in use at a time
	for _, l := range w.lanes[p] {
		for _, q := range l.queue {
			w.known[q.item.key()] = true
		}
	}
	return w.known
}

// addHead puts an item that the store calls the first of its lane in front of
// that lane: a new lane, or one to whose front something came back.
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
	if it.Seq < l.last && !(len(l.queue) > 0 && l.queue[0].again) { // older texts were let go: there may be more behind this one
		l.queue, l.last = nil, it.Seq
	}
	l.last = max(l.last, it.Seq)
	l.queue = append([]*pick{head}, l.queue...)
	return nil
}

// loadDue takes in the deliveries whose acknowledgement did not come in time.
func (w *window) loadDue(ctx context.Context, now clock.Age) error {
	w.moreDue = false
	var items []Item
	for n := dueInMemory; ; n *= 4 { // in front may be what is on its way already, and heads
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

// addDue takes in those of the deliveries that wait for no others.
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
		if !w.isOurs(it, r.LaneOf(&r.Deliveries[it.Delivery])) {
			continue
		}
		l := &lane{}
		l.queue = []*pick{{item: it, record: r, lane: l, precedence: r.Message.Precedence}}
		w.resends[it.key()] = l
	}
	return nil
}
