package queue

import (
	"context"

	"posthouse/bridge/message"
)

// mostUnacknowledged bounds how many unacknowledged deliveries of a link are looked
// up at the start.
const mostUnacknowledged = 10000

// findUnacknowledged finds at the start whose acknowledgements are awaited.
func (w *window) findUnacknowledged(ctx context.Context) error {
	w.waiting = map[string]itemKey{}
	items, err := w.Store.Due(ctx, w.Link, 1<<62, mostUnacknowledged)
	if err != nil {
		return err
	}
	for _, it := range items {
		if d := w.unacknowledged(ctx, it.key()); d != nil {
			w.waiting[d.To] = it.key()
		}
	}
	return nil
}

// addresseeBusy tells whether another delivery to the same addressee still
// waits for its acknowledgement, on a medium where only one may (APRS: the
// author's note on messaging of 22 October 2008).
func (w *window) addresseeBusy(ctx context.Context, p *pick) bool {
	if !w.OnePerAddressee || p.record.Message.Kind != message.Text {
		return false
	}
	to := p.record.Deliveries[p.item.Delivery].To
	key, ok := w.waiting[to]
	if !ok || key == p.item.key() {
		return false
	}
	if w.silent[to] {
		return true
	}
	if w.isAwaited(ctx, key) {
		w.silent[to] = true
		return true
	}
	delete(w.waiting, to)
	return false
}

// isAwaited tells whether a delivery is on its way or waits for its
// acknowledgement.
func (w *window) isAwaited(ctx context.Context, key itemKey) bool {
	_, out := w.isPending(key)
	return out || w.unacknowledged(ctx, key) != nil
}

// await notes that something was sent to an addressee. From time to time it removes
// addressees whose acknowledgement is no longer awaited.
func (w *window) await(ctx context.Context, p *pick) {
	to := p.record.Deliveries[p.item.Delivery].To
	w.waiting[to], w.silent[to] = p.item.key(), true
	if len(w.waiting) <= w.tidyAt {
		return
	}
	for to, key := range w.waiting {
		if key != p.item.key() && !w.isAwaited(ctx, key) {
			delete(w.waiting, to)
		}
	}
	w.tidyAt = max(firstTidy, 2*len(w.waiting))
}

// firstTidy is how many addressees are remembered before any is forgotten.
const firstTidy = 1000

// unacknowledged returns a delivery if it was sent and waits for its acknowledgement,
// else nil.
func (w *window) unacknowledged(ctx context.Context, k itemKey) *Delivery {
	r, err := w.Store.Get(ctx, k.seq)
	if err != nil || k.delivery >= len(r.Deliveries) {
		return nil
	}
	d := &r.Deliveries[k.delivery]
	if d.Link != w.Link || d.State != Later || !d.Begun || len(d.Parts) == 0 || d.Parts[0].ID == "" {
		return nil
	}
	return d
}
