package bridge

import (
	"context"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// blockedSince tells whether the operator has blocked the writer of a text, or
// whom it is for, since it was taken over.
func (b *Bridge) blockedSince(m *message.Message, to string) *rules.Refusal {
	block := b.control.blocked()
	switch {
	case m.Kind != message.Text:
		return nil
	case block.Match(m.From), m.SenderCall != "" && block.Match(m.SenderCall):
		return &rules.Refusal{Code: link.CodeBlocked, Why: "sender is blocked by the operator"}
	case block.Match(m.To), block.Match(to):
		return &rules.Refusal{Code: link.CodeBlocked, Why: "addressee is blocked by the operator"}
	}
	return nil
}

// sweptAtOnce bounds how many open records one tick looks through.
const sweptAtOnce = 5000

// sweep ends what waits from or for those who were blocked. It would not go out
// anyway, since each text is checked again before it is sent; but without the
// sweep it would once they are unblocked.
func (b *Bridge) sweep(ctx context.Context) {
	for n := 0; n < sweptAtOnce; n += atATime {
		after, ok := b.control.toSweep()
		if !ok {
			return
		}
		list, err := b.store.List(ctx, true, after, atATime)
		if err != nil {
			return
		}
		var ops []queue.Op
		at, spent := b.stamp(), &spending{}
		for _, r := range list {
			if ref := b.blockedRecord(r); ref != nil {
				ops = append(ops, queue.Op{Seq: r.Seq, Change: b.endBlocked(ref, at, spent.tell(b))})
			}
		}
		done, err := b.store.Apply(ctx, ops...)
		if err != nil {
			spent.giveBack()
			b.log.Error("ending messages of blocked stations failed, trying again", "err", err)
			return
		}
		for _, d := range done {
			if d.Err == nil && d.Record != nil {
				b.sweptOut(d.Record, at)
			}
		}
		b.control.sweptTo(after, list)
	}
}

// blockedRecord returns the refusal if an open delivery of a record is blocked.
func (b *Bridge) blockedRecord(r *queue.Record) *rules.Refusal {
	for i := range r.Deliveries {
		if ref := b.blockedSince(&r.Message, r.Deliveries[i].To); ref != nil && r.Deliveries[i].State.Open() {
			return ref
		}
	}
	return nil
}

// endBlocked ends the deliveries of a record that are blocked.
func (b *Bridge) endBlocked(ref *rules.Refusal, at queue.Stamp, tell func(*message.Message) telling) func(*queue.Record) ([]*queue.Record, error) {
	return func(r *queue.Record) (out []*queue.Record, err error) {
		for i := range r.Deliveries {
			d := &r.Deliveries[i]
			if d.State.Open() && b.blockedSince(&r.Message, d.To) != nil {
				d.Code, d.Error = ref.Code, ref.Why
				out = append(out, b.end(r, i, queue.Failed, at, tell)...)
			}
		}
		return out, nil
	}
}

// sweptOut counts and logs the deliveries of a record that a sweep has ended.
func (b *Bridge) sweptOut(r *queue.Record, at queue.Stamp) {
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.Code == link.CodeBlocked && d.Ended.Age == at.Age {
			b.ended(r, i)
			b.log.Warn("failed", "link", d.Link, "id", b.id(r.Seq), "from", r.Message.From, "to", r.Message.To, "rule", d.Code, "err", d.Error)
		}
	}
}

// toSweep returns where the sweep goes on; false: there is nothing to do.
func (c *controls) toSweep() (after uint64, ok bool) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.swept, c.sweep
}

// sweptTo notes how far the sweep has come that began at after. A Block in between
// has restarted it.
func (c *controls) sweptTo(after uint64, list []*queue.Record) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.swept != after:
	case len(list) == 0:
		c.sweep = false
	default:
		c.swept = list[len(list)-1].Seq
	}
}
