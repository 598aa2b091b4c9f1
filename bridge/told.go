package bridge

import (
	"context"
	"time"

	"posthouse/bridge/desk"
	"posthouse/queue"
)

// tellingEnds is how long after the last that happened to a message words about it are
// still made; most are stored together with it.
const tellingEnds = time.Minute

// told lists the receipts, notices and alerts about a message. They are looked for among
// as many of the messages after it as a list is sorted of: that is a day of a busy gateway.
func (b *Bridge) told(ctx context.Context, about *queue.Record) (out []desk.Told, err error) {
	last, seen := about.Receipted, 0
	for _, s := range about.History {
		last = max(last, s.At.Age)
	}
	err = b.walk(ctx, false, about.Seq, func(r *queue.Record) (bool, error) {
		if r.About == about.Seq {
			out = append(out, b.toldBy(r))
		}
		seen++
		return seen < sorted && (about.Open() || r.Accepted.Age < last.Add(tellingEnds)), nil
	})
	return out, err
}

// toldBy says whether the words of a record have reached whom they are for.
func (b *Bridge) toldBy(r *queue.Record) desk.Told {
	l, d := b.line(r, false), &r.Deliveries[0] // words about a message have one each
	if r.Outcome == queue.Taken {              // it was combined with another notice, see turn.go
		l.Why = d.Error
	}
	return desk.Told{ID: l.ID, Kind: l.Kind, To: l.To, Gateway: d.Gateway, Result: l.Result, Why: l.Why, Ended: l.Ended}
}
