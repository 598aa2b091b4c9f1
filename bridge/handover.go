package bridge

import (
	"context"
	"fmt"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
	"posthouse/queue"
)

// What waits here for a mesh on which another gateway transmits is handed to that one.

// handedOver is the step in the history of a record that was handed to the transmitter.
const handedOver = "handed over"

// handOverEvery is how often handOver looks at a mesh without news: there may be texts
// whose acks do not come.
const handOverEvery = 5 * time.Second

// handOver hands what waits for a mesh to the gateway that transmits there now.
func (b *Bridge) handOver(ctx context.Context) {
	for _, ln := range b.lines {
		if ln.vote == nil {
			continue
		}
		g, ok := b.ahead(ln)
		if !ok {
			ln.handed = time.Time{}
			continue
		}
		if news := ln.news.Swap(false); !news && time.Since(ln.handed) < handOverEvery {
			continue
		}
		ln.handed = time.Now()
		if err := b.handOverLink(ctx, ln, g); err != nil && ctx.Err() == nil {
			b.log.Error("handing over to the transmitter failed, trying again", "link", ln.Name, "err", err)
		}
	}
}

// handOverLink hands over some of a link's open deliveries, the most urgent first; the
// rest follows later.
func (b *Bridge) handOverLink(ctx context.Context, ln *line, gateway string) error {
	items, err := b.waiting(ctx, ln)
	if err != nil {
		return err
	}
	at, trunk := b.stamp(), b.trunkTo(gateway)
	var ops []queue.Op
	for _, it := range items {
		ops = append(ops, queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
			d := &r.Deliveries[it.Delivery]
			if d.Link != ln.Name || !waits(d) || awaitsAck(d, at.Age) || hasJustCome(r, gateway, at.Age) {
				return nil, queue.ErrSkip
			}
			if b.isGroup(r.Message.To) {
				d.State, d.Link, d.Due = queue.Shadow, "", at.Age.Add(shadowFor) // the transmitter has it from its own trunk
				return nil, nil
			}
			*d = queue.Delivery{Link: trunk, To: d.To, Gateway: gateway, State: queue.Ready, Attempts: d.Attempts}
			r.Note(at, handedOver, ln.Name, fmt.Sprintf("%s transmits for %s", gateway, ln.meshName()))
			return nil, nil
		}})
	}
	if len(ops) == 0 {
		return nil
	}
	_, err = b.store.Apply(ctx, ops...)
	return err
}

// awaitsAck tells whether the ack of a delivery may still come here, to the frame ids
// that this gateway chose; if it does not, the next look hands the delivery over.
func awaitsAck(d *queue.Delivery, now clock.Age) bool {
	return d.State == queue.Later && d.Begun && now < d.Due && len(d.Parts) > 0 && d.Parts[0].ID != ""
}

// hasJustCome tells whether a gateway handed a record over a moment ago. Then it takes this
// gateway for the transmitter, and this one takes it for that: who is right shows with the
// next announcement. Until then the text would only be thrown to and fro.
func hasJustCome(r *queue.Record, gateway string, now clock.Age) bool {
	hops, steps := r.Message.Hops, r.History
	return len(hops) > 0 && hops[len(hops)-1] == gateway && len(steps) > 0 && now.Sub(steps[len(steps)-1].At.Age) < presence.Every
}

// waiting lists a link's deliveries that still have to be sent, or sent again.
func (b *Bridge) waiting(ctx context.Context, ln *line) ([]queue.Item, error) {
	items, err := b.store.Due(ctx, ln.Name, 1<<62, atATime)
	if err != nil {
		return nil, err
	}
	for _, p := range message.Precedences {
		heads, err := b.store.Heads(ctx, ln.Name, p, b.clock.Age(), 0, atATime)
		if err != nil {
			return nil, err
		}
		for _, head := range heads {
			items = append(items, head)
			r, err := b.store.Get(ctx, head.Seq)
			if err != nil || len(items) > 4*atATime {
				continue
			}
			behind, err := b.store.Behind(ctx, r.LaneOf(&r.Deliveries[head.Delivery]), head.Seq, atATime)
			if err != nil {
				return nil, err
			}
			items = append(items, behind...)
		}
	}
	return items, nil
}
