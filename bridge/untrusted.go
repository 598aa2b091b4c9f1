package bridge

import (
	"context"

	"posthouse/queue"
)

// The operator decides about messages that came under a key that is no longer trusted.

// parkUnbelieved parks what came by a trunk under keys that are no longer trusted, as
// far as it is not sent yet.
func (b *Bridge) parkUnbelieved(ctx context.Context, trunk string, believed func(call, key string) bool) {
	at := b.stamp()
	for after := uint64(0); ctx.Err() == nil; {
		list, err := b.store.List(ctx, true, after, atATime)
		if err != nil || len(list) == 0 {
			return
		}
		var ops []queue.Op
		for _, r := range list {
			after = r.Seq
			if m := &r.Message; m.Key != "" && b.trunkTo(m.Via) == trunk && !believed(m.Via, m.Key) {
				ops = append(ops, queue.Op{Seq: r.Seq, Urgent: true, Change: parkAll(at, m.Via)})
			}
		}
		if len(ops) == 0 {
			continue
		}
		b.log.Warn("messages are held for the operator: the keys that signed them are no longer in the trust file", "link", trunk, "messages", len(ops))
		if _, err := b.store.Apply(ctx, ops...); err != nil {
			b.log.Error("holding messages of gateways that are no longer trusted failed", "link", trunk, "err", err)
		}
	}
}

// parkAll parks the deliveries of a record that are not on their way yet.
func parkAll(at queue.Stamp, gateway string) func(*queue.Record) ([]*queue.Record, error) {
	why := "the key of " + gateway + " is not on the trust list any more"
	return func(r *queue.Record) ([]*queue.Record, error) {
		parked := false
		for i := range r.Deliveries {
			if d := &r.Deliveries[i]; waits(d) || d.State == queue.Held || d.State == queue.Shadow {
				d.State, d.Error, parked = queue.Parked, why, true
			}
		}
		if !parked {
			return nil, queue.ErrSkip
		}
		r.Note(at, "parked", "", why)
		return nil, nil
	}
}
