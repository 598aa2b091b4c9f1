package queue

import (
	"cmp"
	"container/heap"
	"context"
	"time"

	"posthouse/bridge/message"
)

// choose takes up to Batch picks that may go out now. If there are none it returns how
// long to sleep, unless woken.
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
			// What is due but was not taken is being filed, or waits for airtime: at least a second.
			wait = min(wait, max(due.Sub(w.Clock.Age()), time.Second))
		}
		return nil, wait, nil
	}
}

// makeRoom tells whether reading the store may bring more now. If memory is full of
// lanes that may not go, it drops them, and reading goes on after them, so that the
// oldest do not block the others.
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

// pass is one look at the lanes of a precedence; with overdue set only for what has
// waited too long.
type pass struct {
	precedence message.Precedence
	overdue    bool
}

// The order of passes. On a paced link what has waited too long comes right after the
// emergencies, within its own share, a tenth of the airtime.
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

// take takes up to n picks of one precedence, senders in turn. stop: this precedence
// and all lower ones have to wait for airtime.
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
			heap.Push(lanes, l) // its next one comes after the others have had a turn
		} // else one at a time: if it fails, the next must not be out already
	}
	return picks, wait, false, nil
}

// pick removes the front of a lane, which goes out now.
func (w *window) pick(ctx context.Context, l *lane, p *pick) *pick {
	l.queue = l.queue[1:]
	w.turn++
	w.served[p.record.Message.From] = w.turn
	if len(w.served) > 10*lanesInMemory {
		clear(w.served) // bounds the memory; turns begin anew
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

// inTurn returns the lanes and resends of one precedence that may be served: the
// sender that was served longest ago first, then the oldest. It is a heap, since
// mostly only a few are taken.
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

func (t turns) Len() int { return len(t) }

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
