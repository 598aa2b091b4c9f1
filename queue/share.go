package queue

import "context"

// Share is this process's share of the work on a queue that several processes use.
// One process leads: it runs the links that may exist only once, and the clerk. The
// lanes of the other links are divided among all processes.
//
// A process has its share on a lease. It stops using the share, by its own clock,
// before another process may get it.
type Share interface {
	// Process names this process among the others; the name stays over restarts.
	Process() string

	// Lives tells whether this process still takes part. Once false, it stays false.
	Lives() bool

	// Leads tells whether this process leads.
	Leads() bool

	// Take borrows a lane; false: another process has it, or nobody yet. The caller
	// calls giveBack once, when everything that it files about the lane is on disk.
	Take(Lane) (giveBack func(), ok bool)

	// Inbox waits until this process has a part of the trunks' inbox (0 to
	// link.Inboxes-1). held ends when the part has to be given up, or is lost. Then the
	// caller finishes what is under way and calls giveBack once, which waits until all
	// writes are on disk, or never will be.
	Inbox(ctx context.Context, part int) (held context.Context, giveBack func(), err error)

	// Draw takes n numbers that no process ever gets again, and returns the first of
	// them. setting keeps the last number; if it does not exist yet the numbers begin
	// at least, which is above 0.
	Draw(ctx context.Context, setting string, n, least uint64) (first uint64, err error)

	// News has a value when there is something to Learn: which settings were changed
	// since the last call, by any process, and whether the lanes were divided anew.
	// Learn may name settings that were not changed.
	News() <-chan struct{}
	Learn() (settings []string, lanes bool)
}

// isOurs tells whether the lane of a delivery is this process's, and remembers if not.
func (w *window) isOurs(it Item, key Lane) bool {
	if w.Take == nil {
		return true
	}
	giveBack, ok := w.Take(key)
	if ok {
		giveBack()
	} else {
		w.foreign[it.key()] = true
	}
	return ok
}

// lend borrows the lane of a pick for as long as it is on its way. If another process
// has the lane now, it is dropped from memory.
func (w *window) lend(l *lane, p *pick) bool {
	if w.Take == nil {
		return true
	}
	var ok bool
	if p.giveBack, ok = w.Take(p.record.LaneOf(&p.record.Deliveries[p.item.Delivery])); ok {
		return true
	}
	w.foreign[p.item.key()] = true
	delete(w.resends, p.item.key())
	w.forget(l)
	return false
}

// returnLane gives the lane of a pick back.
func (p *pick) returnLane() {
	if p.giveBack != nil {
		p.giveBack()
		p.giveBack = nil
	}
}
