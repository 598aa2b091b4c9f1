package queue

import (
	"sync"
	"sync/atomic"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// How much of a link's schedule is in memory: lanes, and resends that are due. The
// rest stays on disk until there is room.
const (
	lanesInMemory = 256
	dueInMemory   = 256
	// aheadInMemory is about how many records all lanes together read ahead.
	aheadInMemory = 4 * lanesInMemory
)

// window is the part of one link's schedule that is in memory. The schedule
// itself is in the store; the window can be thrown away at any time.
type window struct {
	CourierOptions

	lanes   [message.Routine + 1]map[Lane]*lane // by precedence
	resends map[itemKey]*lane                   // one delivery each, so that they hold up nobody
	fresh   bool                                // nothing new since the last load
	whole   bool                                // the last load read the heads from the first
	cut     bool                                // the store has more heads than fit in memory
	full    bool                                // cut was set since the heads were last read from the first
	moreDue bool                                // the store has more resends than fit in memory
	from    seqs                                // Seq up to which heads were read
	rewound clock.Age                           // when the heads were last read from the first
	served  map[string]uint64                   // when each sender was last served
	turn    uint64
	waiting map[string]itemKey // addressee -> its unacknowledged delivery, with OnePerAddressee
	silent  map[string]bool    // addressees found waiting in this choice
	known   map[itemKey]bool   // see inMemory
	ranks   turns              // see inTurn
	tidyAt  int                // with so many in waiting those that are over are removed

	foreign  map[itemKey]bool // deliveries in lanes of another process: not to be read again
	reshared atomic.Bool      // the lanes may have been divided anew

	mu      sync.Mutex // guards what filed changes, which runs on the store's goroutine
	pending map[itemKey]*lane
}

// seqs is one Seq for each precedence.
type seqs [message.Routine + 1]uint64

type itemKey struct {
	seq      uint64
	delivery int
}

func (it Item) key() itemKey { return itemKey{it.Seq, it.Delivery} }

// lane is a Lane whose front is in memory.
type lane struct {
	key     Lane
	queue   []*pick // the front, in order
	last    uint64  // Seq up to which the lane was read
	turn    uint64  // when its sender was last served, see inTurn
	out     int     // picks that are being sent
	pending int     // picks whose outcome is not on disk yet, those in out included; guarded by window.mu
	stopped bool    // nothing goes until pending is 0; guarded by window.mu
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

func (w *window) keep(l *lane)   { w.lanes[l.key.Precedence][l.key] = l }
func (w *window) forget(l *lane) { delete(w.lanes[l.key.Precedence], l.key) }

func (w *window) laneCount() (n int) {
	for _, lanes := range w.lanes {
		n += len(lanes)
	}
	return n
}

// back returns a pick without an outcome to the front of its lane, or leaves it to the
// store's schedule.
func (w *window) back(p *pick, again bool) {
	w.filed(p)
	if !again || w.isStopped(p.lane) { // the one before it failed and has to go first
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

// filed forgets a pick whose outcome is in the store.
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

// stop stops a pick's lane until its outcome is on disk, and drops the lane from
// memory: it is read again when the store lists its head.
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
