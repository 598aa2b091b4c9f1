package bridge

import (
	"context"
	"slices"

	"posthouse/bridge/callsign"
	"posthouse/queue"
)

// release sends on what is held for stations that were heard since the last call.
func (b *Bridge) release(ctx context.Context) {
	for _, base := range b.control.takeReleases() {
		for stay := 0; ; { // what stays held is listed before the rest
			items, err := b.store.Held(ctx, base, stay+atATime)
			if err != nil || len(items) <= stay {
				break
			}
			last := len(items) < stay+atATime
			var ops []queue.Op
			for _, it := range items[stay:] {
				if op, ok := b.letGo(ctx, it, false); ok {
					ops = append(ops, op)
				} else {
					stay++
				}
			}
			if _, err := b.store.Apply(ctx, ops...); ctx.Err() != nil {
				return
			} else if err != nil {
				b.log.Error("releasing held messages failed; they go when their station is heard again", "err", err)
				break
			}
			if last {
				break
			}
		}
	}
}

// letGo decides about one held delivery whose addressee may be reachable now. With
// elsewhere set it may not go where it was tried last.
func (b *Bridge) letGo(ctx context.Context, it queue.Item, elsewhere bool) (queue.Op, bool) {
	r, err := b.store.Get(ctx, it.Seq)
	if err != nil {
		return queue.Op{}, false
	}
	m := r.Message
	m.To = r.Deliveries[it.Delivery].To
	d := b.decide(&m, true)
	if len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {
		return queue.Op{}, false
	}
	to, at := d.Targets[0], b.stamp()
	next := b.deliveriesTo(to)[0]
	if !next.State.Open() || next.State == queue.Held {
		return queue.Op{}, false
	}
	ln := b.byName[to.Link]
	old := &r.Deliveries[it.Delivery]
	same := old.Link == next.Link && old.Gateway == next.Gateway
	if elsewhere && same {
		return queue.Op{}, false // it goes there only once the station is heard
	}
	if old.Begun && same && !b.heardSince(old) {
		return queue.Op{}, false // something else has changed, not this station
	}
	if old.Begun && same && at.Age < old.Due.Add(queue.Doubled(ln.props.AckWait, old.Attempts-ln.props.Resends, longestAckWait)) {
		return queue.Op{}, false // its last round was a moment ago; not every hearing is worth a frame
	}
	return queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[it.Delivery]
		if d.State != queue.Held {
			return nil, queue.ErrSkip
		}
		if d.Begun && same {
			d.State, d.Due, d.Round = queue.Later, at.Age, ln.props.Resends
			r.Note(at, "heard", to.Link, d.To)
			return nil, nil
		}
		b.offered(r, d)
		*d = queue.Delivery{Link: to.Link, To: to.To, Gateway: next.Gateway, State: queue.Ready, Attempts: d.Attempts}
		r.Note(at, "heard", to.Link, to.To)
		return nil, nil
	}}, true
}

// heardSince tells whether the station of a held delivery was heard since on the link
// where it was tried last. For one by a far gateway that gateway's word is enough.
func (b *Bridge) heardSince(d *queue.Delivery) bool {
	return d.Gateway != "" || slices.ContainsFunc(b.heard.find(callsign.Base(d.To)), func(h hearing) bool {
		return h.call == d.To && h.link == d.Link && h.at >= d.Due
	})
}
