package bridge

import (
	"context"
	"sync"

	"posthouse/bridge/fit"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A text that an addressee is to acknowledge goes out under frame ids, and they are on
// disk before: an ack that comes after a crash must find its message. Where the way of a
// text is known when it is taken over, they are written with it. Else the courier
// writes them before it sends, which is a commit more.

// names are the frame ids that were chosen lately: they may not be on disk yet.
type names struct {
	mu         sync.Mutex
	young, old map[string]named
}

// named is what has a frame id: one part of one message, whatever record it is in. What
// comes back to a gateway goes out under the id that it had.
type named struct {
	id   queue.Identity
	part int
}

// namesKept is more than can be on their way to the disk at once.
const namesKept = 1024

// take tells whether a frame id on a link to an addressee is free, and keeps it then.
func (n *names) take(key string, of named) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, have := range []map[string]named{n.young, n.old} {
		if other, ok := have[key]; ok {
			return other == of
		}
	}
	if len(n.young) >= namesKept || n.young == nil {
		n.young, n.old = map[string]named{}, n.young
	}
	n.young[key] = of
	return true
}

// nameParts chooses the frame ids of a delivery.
func (b *Bridge) nameParts(ctx context.Context, id queue.Identity, d *queue.Delivery) {
	for i := range d.Parts {
		of := named{id, i}
		d.Parts[i].ID = frameID(id, i, func(frame string) bool {
			_, _, err := b.store.Frame(ctx, d.Link, d.To, frame)
			return err == nil || !b.names.take(d.Link+" "+d.To+" "+frame, of)
		})
	}
}

// nameAhead does so when a text is taken over, for what fits in one frame.
func (b *Bridge) nameAhead(ctx context.Context, r *queue.Record) {
	if b.share != nil {
		return // another process may choose the same at the same time
	}
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		ln := b.byName[d.Link]
		if d.State != queue.Ready || ln == nil || ln.trunk != nil || !b.wantsAck(ln, r, d) {
			continue
		}
		mark, text := b.mark(ln, &r.Message)
		texts, err := fit.Fit(text, ln.props.Medium, mark)
		if err != nil || len(texts) != 1 {
			continue
		}
		d.Before, d.After, d.Parts = mark.Before, mark.After, make([]queue.Part, 1)
		b.nameParts(ctx, r.Identity, d)
	}
}

// wantsAck tells whether an acknowledgement of a delivery is asked on a link.
func (b *Bridge) wantsAck(ln *line, r *queue.Record, d *queue.Delivery) bool {
	if ln.trunk != nil {
		return d.Gateway != "" // a far gateway's custody receipt, for whatever it is
	}
	return ln.props.Acks && r.Message.Kind == message.Text && !b.isGroup(d.To)
}
