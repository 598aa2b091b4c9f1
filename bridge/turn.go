package bridge

import (
	"context"
	"fmt"
	"strings"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A station is told of trouble a few times an hour. Word that a text failed is
// owed, so the rest of it waits; what has come together until then is told as one.

// turnRetry is when a notice is looked at again that could not be read or written.
const turnRetry = 5 * time.Second

// postpone has a notice wait until its station may have one more. It holds up
// nothing behind it.
func (b *Bridge) postpone(r *queue.Record, now clock.Age) {
	d := &r.Deliveries[0]
	d.State, d.Begun, d.Due = queue.Later, true, now.Add(b.tells.Wait(d.To, now))
	d.Error = fmt.Sprintf("it has had %d notices within the hour", noticesPerHour)
	r.Turn = true
}

// takeTurn makes one notice of all that wait for a station, once that may have one,
// and gives nil: it goes out now. Else it says how the notice waits on.
func (c *carrier) takeTurn(ctx context.Context, t *trip) *queue.Outcome {
	b, at, to := c.b, c.b.stamp(), t.d.To
	if !b.tells.Allow(to, at.Age) {
		return c.waitForTurn(t.item, at.Age.Add(max(b.tells.Wait(to, at.Age), time.Second)))
	}
	others, err := c.othersInTurn(ctx, t)
	if err == nil {
		err = c.joinTurns(ctx, t, others, at)
	}
	if err != nil {
		b.tells.GiveBack(to)
		b.log.Warn("gathering what a station is to be told failed, trying again", "link", c.ln.Name, "to", to, "err", err)
		return c.waitForTurn(t.item, at.Age.Add(turnRetry))
	}
	return nil
}

func (c *carrier) waitForTurn(item queue.Item, due clock.Age) *queue.Outcome {
	return &queue.Outcome{Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		if !c.has(d) {
			return nil, queue.ErrSkip
		}
		c.wait(d, due)
		return nil, nil
	}}
}

// othersInTurn finds what else waits to be told to the station of a trip. What is
// behind the first of a long list is told another time.
func (c *carrier) othersInTurn(ctx context.Context, t *trip) ([]*queue.Record, error) {
	items, err := c.b.store.Due(ctx, c.ln.Name, 1<<62, atATime)
	if err != nil {
		return nil, err
	}
	var out []*queue.Record
	for _, it := range items {
		r, err := c.b.store.Get(ctx, it.Seq)
		if err == nil && r.Turn && it.Seq != t.item.Seq && r.Deliveries[0].To == t.d.To && r.Deliveries[0].Gateway == t.d.Gateway && waits(&r.Deliveries[0]) {
			out = append(out, r)
		}
	}
	return out, nil
}

// joinTurns writes down that one notice speaks for the others, too.
func (c *carrier) joinTurns(ctx context.Context, t *trip, others []*queue.Record, at queue.Stamp) error {
	text := gatheredText(t.r, others)
	ops := []queue.Op{{Seq: t.item.Seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		if !c.has(&r.Deliveries[t.item.Delivery]) {
			return nil, queue.ErrSkip
		}
		r.Turn, r.Message.Text = false, text
		return nil, nil
	}}}
	for _, o := range others {
		ops = append(ops, queue.Op{Seq: o.Seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			if !c.has(&r.Deliveries[0]) {
				return nil, queue.ErrSkip
			}
			r.Note(at, "told", c.ln.Name, "with "+c.b.id(t.item.Seq))
			return c.b.end(r, 0, queue.Taken, at, nil), nil
		}})
	}
	done, err := c.b.store.Apply(ctx, ops...)
	if err != nil {
		return err
	}
	if done[0].Err != nil {
		return done[0].Err
	}
	t.r = done[0].Record
	t.d = &t.r.Deliveries[t.item.Delivery]
	return nil
}

// gatheredText is one notice for several: in a mail all of them, on a small screen
// the first and how many more.
func gatheredText(first *queue.Record, others []*queue.Record) string {
	m := &first.Message
	switch {
	case message.IsMail(m.To):
		all := []string{m.Text}
		for _, o := range others {
			all = append(all, o.Message.Text)
		}
		return strings.Join(all, "\n")
	case len(others) == 0:
		return m.Text
	case len(others) == 1:
		return m.Text + " And 1 other."
	}
	return fmt.Sprintf("%s And %d others.", m.Text, len(others))
}
