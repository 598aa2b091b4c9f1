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

// A station gets only a few notices an hour. But it has to learn of each text that
// failed: notices beyond the limit wait, and are then combined into one.

// turnRetry is the wait after an error of the store.
const turnRetry = 5 * time.Second

// postpone makes a notice wait until its station may get one more. It delays
// nothing behind it.
func (b *Bridge) postpone(r *queue.Record, now clock.Age) {
	d := &r.Deliveries[0]
	d.State, d.Begun, d.Due = queue.Later, true, now.Add(b.noticeRate.Wait(d.To, now))
	d.Error = fmt.Sprintf("it has had %d notices within the hour", noticesPerHour)
	r.Turn = true
}

// takeTurn combines all notices that wait for a station, if it may get one now, and
// returns nil: the notice goes out. Else it returns the outcome that goes on waiting.
func (c *carrier) takeTurn(ctx context.Context, t *trip) *queue.Outcome {
	b, at, to := c.b, c.b.stamp(), t.d.To
	if !b.noticeRate.Allow(to, at.Age) {
		return c.waitForTurn(t.item, at.Age.Add(max(b.noticeRate.Wait(to, at.Age), time.Second)))
	}
	others, err := c.othersInTurn(ctx, t)
	if err == nil {
		err = c.joinTurns(ctx, t, others, at)
	}
	if err != nil {
		b.noticeRate.GiveBack(to)
		b.log.Warn("combining a station's notices failed, trying again", "link", c.ln.Name, "to", to, "err", err)
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

// othersInTurn finds the other notices that wait for the station of a trip; those
// beyond the first atATime get their turn later.
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

// joinTurns makes the notice of a trip speak for the others, too, and ends them.
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
			r.Deliveries[0].Error = "told with " + c.b.id(t.item.Seq)
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

// gatheredText combines notices: in a mail all of them, on a small screen the first
// and the number of the others.
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
