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

// While a text waits, behind others on a slow channel or for a link that is down,
// its addressee may be heard elsewhere. A held text is rerouted when its station is
// heard; one that waits to be sent is rerouted here.

const (
	// stalledFor is how long a link has to be down before its deliveries are
	// rerouted.
	stalledFor = time.Minute
	// One tick looks at roamedAtOnce open records; after the last one it begins
	// again, roamedAgain later.
	roamedAtOnce = 100
	roamedAgain  = 30 * time.Second
	// siblingTries is how often the transmitter of the writer's mesh is offered a text
	// before this gateway looks for another way, unless it transmits itself meanwhile: some
	// 15 minutes.
	siblingTries = 5
)

// roamed finds another way for a text that was not transmitted yet, or that a far
// gateway did not take: its addressee was heard elsewhere since, on a link that can
// send now.
func (b *Bridge) roamed(r *queue.Record, delivery int) (queue.Delivery, bool) {
	d := &r.Deliveries[delivery]
	switch {
	case r.Message.Kind != message.Text || b.isGroup(d.To):
		return queue.Delivery{}, false
	case message.IsMail(d.To) && (d.Gateway == "" || b.offersMail(d.Gateway)):
		return queue.Delivery{}, false
	case hasStep(r, "moved"): // the operator has chosen its link
		return queue.Delivery{}, false
	case d.Round < siblingTries && b.isLeftTo(r, d.Gateway) && !b.sharedLine(r.Message.Mesh).transmits(): // that gateway finds the way
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

// offersMail tells whether a far gateway announces a mail link.
func (b *Bridge) offersMail(gateway string) bool {
	return slices.ContainsFunc(b.far.table.Living("", time.Now()), func(s presence.Say) bool {
		return s.Call == gateway && slices.Contains(s.Offers, config.KindMail)
	})
}

// follow files that a text goes to where its addressee is now.
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

// reroute looks at some open records with each tick. What waits for a stalled link
// goes to where its addressee was heard since; what is held goes out if its
// addressee was heard while it was being filed as held.
func (b *Bridge) reroute(ctx context.Context) {
	if time.Now().Before(b.rerouteAt) {
		return
	}
	if !b.mayRoam(ctx) {
		b.rerouted, b.rerouteAt = 0, time.Now().Add(roamedAgain)
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
			case waits(d) && b.isStalled(d.Link):
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
		b.log.Warn("rerouting messages failed, trying again", "err", err)
	}
}

// mayRoam tells whether there is anything to reroute: something is held, or waits for a
// stalled link. Mostly there is not, and then no record need be read.
func (b *Bridge) mayRoam(ctx context.Context) bool {
	if held, err := b.store.Sought(ctx, 1); err != nil || len(held) > 0 {
		return true
	}
	return slices.ContainsFunc(b.lines, func(ln *line) bool {
		return b.isStalled(ln.Name) && len(b.store.Stats().Open[ln.Name]) > 0
	})
}

// isStalled tells whether a link is quiet, or has been down for a while. On a mesh
// where another gateway transmits, handOver takes care of what waits.
func (b *Bridge) isStalled(name string) bool {
	ln := b.byName[name]
	if ln == nil || b.anotherTransmits(ln) {
		return false
	}
	if b.control.isQuiet(name) {
		return true
	}
	ln.mu.Lock()
	defer ln.mu.Unlock()
	return !ln.up.Load() && time.Since(ln.since) >= stalledFor
}

// wayTo describes where a delivery goes.
func wayTo(d *queue.Delivery) string {
	if d.Gateway == "" {
		return d.Link
	}
	return d.Link + " to " + d.Gateway
}
