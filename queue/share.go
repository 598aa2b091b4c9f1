package queue

import "context"

// Share is this process's part of the work on a queue that several processes
// share. What may exist once only is done by the one that leads: it runs the links
// of which there may be but one, and does what time asks for. A link that runs in
// every process has its lanes divided among them.
//
// A process has its part on a lease. All of this ends by the process's own clock
// before anybody else may have the part.
type Share interface {
	// Process names this process among the others; the name stays over restarts.
	Process() string

	// Lives tells whether this process has any part in the work. Once it has not, it
	// never has again.
	Lives() bool

	// Leads tells whether this process leads.
	Leads() bool

	// Take asks for a lane; false: another process has it, or nobody yet. What the
	// caller files of it must be on disk before it calls giveBack, once.
	Take(Lane) (giveBack func(), ok bool)

	// Inbox waits until this process has a part of what comes in by trunks, numbered
	// from 0 up to link.Inboxes. held ends when the part is to be given up, or is lost.
	// giveBack is called once then, with nothing of it under way any more: it waits
	// until all that was is on disk, or never will be.
	Inbox(ctx context.Context, part int) (held context.Context, giveBack func(), err error)

	// Draw takes n numbers, of which no process is ever given one again, from a
	// setting that says which was the last. One that is not there yet begins at
	// least, which is above 0. It returns the first of them.
	Draw(ctx context.Context, setting string, n, least uint64) (first uint64, err error)

	// News holds a word when there is something for Learn: which settings were
	// changed since the last time, by whomever, and whether the lanes were divided
	// anew. Learn may name more than was changed.
	News() <-chan struct{}
	Learn() (settings []string, lanes bool)
}

// isOurs tells whether this process has the lane of a delivery, and remembers if not.
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

// lend takes the lane of a pick for as long as it is on its way. What memory holds
// of a lane that another process has now is let go of.
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
