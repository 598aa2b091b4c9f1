package bridge

import (
	"context"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// What waits for a gateway that is not alive looks for another way.

// reaches tells whether the gateway of a delivery is alive and takes something over, and
// has it followed.
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

// How long a receipt waits for a gateway that is away before it is looked at
// again.
const (
	astrayWait    = 5 * time.Second
	longestAstray = time.Minute
)

// astray files that the gateway for which a delivery waits is not there for it: the
// message takes another way or looks for one, a receipt waits for that gateway.
func (c *carrier) astray(item queue.Item, r *queue.Record, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	b := c.b
	b.far.freeRoom(item.Seq)
	next := b.otherWay(r, item.Delivery)
	b.control.toRelease(callsign.Base(next.To)) // word of another way may come before this is on disk
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		switch {
		case !c.has(d) || d.State == queue.Passed:
			return nil, queue.ErrSkip
		case r.Message.Kind != message.Text:
			d.Begun = true // it holds up nothing behind it
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

// otherWay finds a way for a delivery whose gateway is not alive; without one it
// is held.
func (b *Bridge) otherWay(r *queue.Record, delivery int) queue.Delivery {
	m := r.Message
	m.To = r.Deliveries[delivery].To
	held := queue.Delivery{To: m.To, State: queue.Held}
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

// hurryFor is for how long after taking over what was on its way to the one that fell
// silent is looked at again: longer than an outcome waits for the disk.
const hurryFor = 10 * time.Second

// hurry has the trunks look again at what was on its way to gateways that are not
// alive: this gateway has just become a mesh's transmitter in the place of one.
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
			b.log.Warn("looking again at what was on its way to a gateway that fell silent failed", "link", ln.Name, "err", err)
		}
		ln.courier.Wake()
	}
}
