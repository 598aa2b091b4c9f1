package bridge

import (
	"context"
	"slices"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
	"posthouse/queue"
)

// A station may be heard somewhere else while a text for it waits: behind others
// on a slow channel, or for a link that is down. What is held finds its new way
// when the station is heard; what waits to be sent finds it here.

const (
	// standsStill is how long a link has to be shut before what was on its way
	// there looks for another.
	standsStill = time.Minute
	// roamedAtOnce is how many open records one tick looks through, and roamedAgain
	// how long after the last of them the first is looked at again.
	roamedAtOnce = 100
	roamedAgain  = 30 * time.Second
	// siblingTries is how often the transmitter of the writer's mesh is offered a text
	// before another gateway of that mesh finds a way for it: some 15 minutes.
	siblingTries = 5
)

// roamed finds where else to send a text of which nothing was transmitted yet, or that
// a far gateway was given and has not taken: its addressee was heard elsewhere since,
// where it can go at once.
func (b *Bridge) roamed(r *queue.Record, delivery int) (queue.Delivery, bool) {
	d := &r.Deliveries[delivery]
	switch {
	case r.Message.Kind != message.Text || b.isGroup(d.To):
		return queue.Delivery{}, false
	case message.IsMail(d.To) && (d.Gateway == "" || b.offersMail(d.Gateway)):
		return queue.Delivery{}, false
	case hasStep(r, "moved"): // where the operator moved it, it stays
		return queue.Delivery{}, false
	case d.Round < siblingTries && b.isLeftTo(r, d.Gateway): // that one finds the way
		return queue.Delivery{}, false
	}
	m := r.Message
	m.To = d.To
	way := b.decide(&m, true)
	if len(way.Targets) == 0 || b.mayTake(&m, way.Targets[0]) != nil {
		return queue.Delivery{}, false
	}
	next := b.deliveriesTo(way.Targets[0])[0]
	if next.Link == d.Link && next.Gateway == d.Gateway {
		return queue.Delivery{}, false
	}
	ln := b.byName[way.Targets[0].Link]
	if next.State != queue.Ready || !(&carrier{b: b, ln: ln}).Open() {
		return queue.Delivery{}, false
	}
	next.Attempts = d.Attempts
	return next, true
}

// offersMail tells whether a far gateway says that it takes mail.
func (b *Bridge) offersMail(gateway string) bool {
	return slices.ContainsFunc(b.far.table.Living("", time.Now()), func(s presence.Say) bool {
		return s.Call == gateway && slices.Contains(s.Offers, config.KindMail)
	})
}

// follow files that a text takes the way to where its addressee is now.
func (b *Bridge) follow(delivery int, from string, next queue.Delivery, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[delivery]
		if d.Link != from || !waits(d) {
			return nil, queue.ErrSkip
		}
		b.offered(r, d)
		*d = next
		r.Note(at, "rerouted", from, "goes by "+wayTo(&next)+" now")
		return nil, nil
	}
}

// reroute looks through some of the open records, and goes on there at the next
// tick: what waits for a link that stands still takes the way to where its
// addressee was heard since, and what is held goes if word of its addressee came
// while it was being filed.
func (b *Bridge) reroute(ctx context.Context) {
	if time.Now().Before(b.rerouteAt) {
		return
	}
	list, err := b.store.List(ctx, true, b.rerouted, roamedAtOnce)
	if err != nil {
		return
	}
	if len(list) == roamedAtOnce {
		b.rerouted = list[len(list)-1].Seq
	} else {
		b.rerouted, b.rerouteAt = 0, time.Now().Add(roamedAgain) // from the beginning
	}
	at := b.stamp()
	var ops []queue.Op
	for _, r := range list {
		for i := range r.Deliveries {
			d := &r.Deliveries[i]
			switch {
			case d.State == queue.Held:
				if op, ok := b.letGo(ctx, queue.Item{Seq: r.Seq, Delivery: i}, true); ok {
					ops = append(ops, op)
				}
			case waits(d) && b.standsStill(d.Link):
				if next, ok := b.roamed(r, i); ok {
					ops = append(ops, queue.Op{Seq: r.Seq, Change: b.follow(i, d.Link, next, at)})
				}
			}
		}
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Warn("sending on to where stations were heard since failed, trying again", "err", err)
	}
}

// standsStill tells whether nothing has gone out on a link for a while. On a mesh
// where another gateway transmits that one gets what waits, see handOver.
func (b *Bridge) standsStill(name string) bool {
	ln := b.byName[name]
	if ln == nil || b.anotherTransmits(ln) {
		return false
	}
	if b.control.isQuiet(name) {
		return true
	}
	ln.mu.Lock()
	defer ln.mu.Unlock()
	return !ln.up.Load() && time.Since(ln.since) >= standsStill
}

// wayTo says in words where a delivery goes.
func wayTo(d *queue.Delivery) string {
	if d.Gateway == "" {
		return d.Link
	}
	return d.Link + " to " + d.Gateway
}
