package bridge

import (
	"context"
	"fmt"

	"posthouse/bridge/fit"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A text that its addressee shall acknowledge is sent with frame ids, which must be on
// disk first: an ack that comes after a crash must find its message. If the route is known
// when the text is taken over they are written with it. Otherwise the courier writes them
// before it sends, which costs one more commit.

// nameParts chooses the frame ids of a delivery. given holds those that are chosen but not
// on disk yet, by addressee and id. Two texts to one addressee that are taken over at the
// same moment get the same id once in sixty million times.
func (b *Bridge) nameParts(ctx context.Context, id queue.Identity, d *queue.Delivery, given map[string]bool) {
	for i := range d.Parts {
		d.Parts[i].ID = frameID(id, i, func(frame string) bool {
			if given[d.To+" "+frame] {
				return true
			}
			_, _, err := b.store.Frame(ctx, d.Link, d.To, frame)
			return err == nil
		})
		given[d.To+" "+d.Parts[i].ID] = true
	}
}

// nameAhead chooses them when a text is taken over, if it fits into one frame.
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
		b.nameParts(ctx, r.Identity, d, map[string]bool{})
	}
}

// wantsAck tells whether a delivery asks for an acknowledgement on a link.
func (b *Bridge) wantsAck(ln *line, r *queue.Record, d *queue.Delivery) bool {
	if ln.trunk != nil {
		return d.Gateway != "" // a far gateway's custody receipt, for whatever it is
	}
	return ln.props.Acks && r.Message.Kind == message.Text && !b.isGroup(d.To)
}

// wantsAck tells whether a trip asks for an acknowledgement.
func (c *carrier) wantsAck(t *trip) bool { return c.b.wantsAck(c.ln, t.r, t.d) }

// nameFrames chooses frame ids for direct texts that have none yet, and writes them
// before the first frame is sent.
func (c *carrier) nameFrames(ctx context.Context, trips []*trip) {
	var ops []queue.Op
	var written []*trip
	given := map[string]bool{}
	for _, t := range trips {
		if c.ln.trunk != nil && t.done == nil {
			t.d.Parts[0].ID = c.b.id(t.item.Seq) // our own id needs no index
			continue
		}
		if t.done != nil || t.d.Parts[0].ID != "" || !c.wantsAck(t) {
			continue
		}
		c.b.nameParts(ctx, t.r.Identity, t.d, given)
		for i := range t.frames {
			t.frames[i].ID = t.d.Parts[t.part[i]].ID
		}
		d := *t.d
		ops = append(ops, queue.Op{Seq: t.item.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
			have := &r.Deliveries[t.item.Delivery]
			if !c.has(have) {
				return nil, queue.ErrSkip
			}
			have.Parts, have.Before, have.After = append([]queue.Part(nil), d.Parts...), d.Before, d.After
			return nil, nil
		}})
		written = append(written, t)
	}
	if len(ops) == 0 {
		return
	}
	done, err := c.b.store.Apply(ctx, ops...)
	for i, t := range written {
		why := err // nothing was written
		if why == nil {
			why = done[i].Err
		}
		if why != nil {
			t.err = fmt.Errorf("writing down the frame ids: %w", why)
			for k := range t.d.Parts {
				t.d.Parts[k].ID = "" // or the courier would take them for those on disk
			}
		}
	}
}
