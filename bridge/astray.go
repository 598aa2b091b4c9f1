package bridge

import (
	"context"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// What waits for a gateway that is not alive takes another way.

// reaches tells whether the gateway of a delivery is alive and takes something over; it
// makes sure that the gateway is followed.
func (c *carrier) reaches(d *queue.Delivery) bool {
	if c.ln.trunk == nil || d.Gateway == "" {
		return true
	}
	now := time.Now()
	if c.b.far.meet(d.Gateway, c.ln.Name, true, now) {
		c.b.lookFar()
	}
	return c.b.far.table.Takes(d.Gateway, now)
}

// How long a receipt for a gateway that is away waits until it is tried again.
const (
	astrayWait    = 5 * time.Second
	longestAstray = time.Minute
)

// astray files that the gateway of a delivery cannot take it now: a message is rerouted
// or held, a receipt waits for that gateway.
func (c *carrier) astray(item queue.Item, r *queue.Record, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	b := c.b
	b.far.freeRoom(item.Seq)
	next := b.otherWay(r, item.Delivery)
	b.control.toRelease(callsign.Base(next.To)) // the station may be heard before this is on disk
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		switch {
		case !c.has(d) || d.State == queue.Passed:
			return nil, queue.ErrSkip
		case r.Message.Kind != message.Text:
			d.Begun = true // so that it does not delay those behind it
			c.wait(d, at.Age.Add(queue.Doubled(astrayWait, min(d.Attempts+1, 5), longestAstray)))
			d.Attempts++
			return nil, nil
		}
		b.offered(r, d)
		r.Note(at, "astray", d.Link, d.Gateway+b.whyAstray(d.Gateway))
		attempts, parked := d.Attempts, d.State == queue.Parked
		*d = next
		d.Attempts = attempts
		switch {
		case parked:
			d.State = queue.Parked
		case d.State == queue.Held:
			tellHeld(r, at)
		}
		return nil, nil
	}
}

// whyAstray says what keeps a gateway from taking something over.
func (b *Bridge) whyAstray(gateway string) string {
	if b.far.table.IsAlive(gateway, time.Now()) {
		return " takes nothing over, its clock is wrong"
	}
	return " is not alive"
}

// otherWay finds another way for a delivery whose gateway is not alive; if there is
// none it is held.
func (b *Bridge) otherWay(r *queue.Record, delivery int) queue.Delivery {
	m := r.Message
	m.To = r.Deliveries[delivery].To
	held := queue.Delivery{To: m.To, State: queue.Held}
	if m.Kind == message.Text && b.isUnread(b.sharedLine(m.Mesh), &m) {
		return queue.Delivery{To: m.To, State: queue.Shadow, Due: b.clock.Age()} // the one that transmits now has to read it
	}
	if m.Kind != message.Text {
		return held
	}
	d := b.decide(&m, true)
	if len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {
		return held
	}
	if next := b.deliveriesTo(d.Targets[0])[0]; next.Gateway == "" || next.Gateway != r.Deliveries[delivery].Gateway {
		return next
	}
	return held
}

// hurryFor is how long after a take-over hurry is repeated: longer than an outcome
// takes to reach the disk.
const hurryFor = 10 * time.Second

// hurry makes the trunks' couriers look again at what was on its way to gateways that
// are not alive: this gateway has just taken over as the transmitter of a mesh.
func (b *Bridge) hurry(ctx context.Context) {
	at := b.stamp()
	for _, ln := range b.trunks() {
		items, err := b.store.Due(ctx, ln.Name, 1<<62, atATime)
		if err != nil {
			return
		}
		var ops []queue.Op
		for _, it := range items {
			ops = append(ops, queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
				d := &r.Deliveries[it.Delivery]
				if d.State != queue.Later || d.Link != ln.Name || d.Due <= at.Age || b.far.table.IsAlive(d.Gateway, time.Now()) {
					return nil, queue.ErrSkip
				}
				d.Due = at.Age
				return nil, nil
			}})
		}
		if len(ops) == 0 {
			continue
		}
		if _, err := b.store.Apply(ctx, ops...); err != nil {
			b.log.Warn("rerouting messages for a gateway that fell silent failed", "link", ln.Name, "err", err)
		}
		ln.courier.Wake()
	}
}
