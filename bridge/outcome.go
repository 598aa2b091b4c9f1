package bridge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// wait makes a delivery wait until due, unless the operator has parked it
// meanwhile.
func (c *carrier) wait(d *queue.Delivery, due clock.Age) {
	if d.State != queue.Parked {
		d.State = queue.Later
	}
	d.Due = due
}

// outcome returns what to file for one trip.
func (c *carrier) outcome(ctx context.Context, t *trip) queue.Outcome {
	var permanent *link.PermanentError
	switch {
	case t.done != nil:
		return *t.done
	case t.err == nil && c.roundOver(t.d):
		return c.finishRound(t)
	case t.err == nil:
		return c.partSent(t)
	case errors.Is(t.err, link.ErrDown) || ctx.Err() != nil:
		return c.down(t)
	case errors.Is(t.err, errNoAir):
		return c.waitForAir(t)
	case errors.As(t.err, &permanent):
		return c.fail(t, permanent.Code, permanent.Unwrap().Error())
	default:
		return c.later(t)
	}
}

// down files that the link went down: what was not sent goes out when it is up again.
func (c *carrier) down(t *trip) queue.Outcome {
	out := queue.Outcome{Again: true}
	if t.sent > 0 {
		out = c.partSent(t)
	}
	out.Down = true
	return out
}

// waitForAir defers a frame for which there is not enough airtime after all. That
// is no failure and no attempt.
func (c *carrier) waitForAir(t *trip) queue.Outcome {
	var le *link.LaterError
	if !errors.As(t.err, &le) || le.Wait > t.r.Until.Sub(c.b.clock.Age()) {
		return c.fail(t, link.CodeTooLong, "one frame needs more airtime than the limit")
	}
	due := c.b.clock.Age().Add(le.Wait)
	return queue.Outcome{Urgent: true, Stop: !t.d.Begun, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[t.item.Delivery]
		if !waits(d) {
			return nil, queue.ErrSkip
		}
		t.copyParts(d)
		c.wait(d, due)
		return nil, nil
	}}
}

// partSent files that some parts were sent; more will follow.
func (c *carrier) partSent(t *trip) queue.Outcome {
	return queue.Outcome{Again: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[t.item.Delivery]
		if !c.has(d) {
			return nil, queue.ErrSkip
		}
		t.copyParts(d)
		d.Begun = true
		return nil, nil
	}}
}

// longestAckWait is the limit of the doubled waits for an acknowledgement.
const longestAckWait = 30 * time.Minute

// finishRound files that all parts of this round were sent.
func (c *carrier) finishRound(t *trip) queue.Outcome {
	at := c.b.stamp()
	awaited := c.wantsAck(t) && c.ln.props.Resends > 0 && t.d.Parts[0].ID != ""
	state := queue.Later
	switch {
	case c.ln.props.Final:
		state = queue.Delivered
	case !awaited:
		state = queue.Sent
	}
	wait := queue.Doubled(c.ackWait(), t.d.Round+1, max(cmp.Or(c.ln.props.AckLimit, longestAckWait), c.ackWait()))
	out := queue.Outcome{}
	if c.ln.trunk == nil { // what another gateway has the station was not given yet
		out.Put = c.b.gave(t.d.To, &t.r.Message)
	}
	out.Change = func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[t.item.Delivery]
		late := d.State == queue.Expired && state == queue.Delivered // it expired while the server was taking it
		if !c.has(d) && !late {
			return nil, queue.ErrSkip
		}
		t.copyParts(d)
		d.Begun, d.Error = true, ""
		d.Attempts++
		d.Round++
		if state != queue.Later {
			return c.b.end(r, t.item.Delivery, state, at, nil), nil
		}
		r.Note(at, "sent", c.ln.Name, fmt.Sprintf("try %d, waiting %v for an acknowledgement", d.Attempts, wait))
		c.wait(d, at.Age.Add(wait))
		return nil, nil
	}
	c.b.log.Info(sentWord(state), "link", c.ln.Name, "id", c.b.id(t.r.Seq), "kind", string(t.r.Message.Kind), "from", t.r.Message.From, "to", t.d.To, "try", t.d.Attempts+1)
	if state != queue.Later {
		c.b.meter.Delivery(c.ln.Name, string(state))
		if state == queue.Delivered {
			c.b.meter.DeliveryTime(at.Age.Sub(t.r.Accepted.Age))
		}
	}
	// A confirmed delivery makes a receipt, for which the writer waits.
	out.Urgent = state == queue.Delivered && t.r.Message.Kind == message.Text
	return out
}

func sentWord(s queue.State) string {
	if s == queue.Delivered {
		return "delivered"
	}
	return "sent"
}

// fail ends a delivery that can never succeed, and tells its writer.
func (c *carrier) fail(t *trip, code, why string) queue.Outcome {
	b, item, at := c.b, t.item, c.b.stamp()
	told := b.mayTell(&t.r.Message)
	b.log.Warn("failed", "link", c.ln.Name, "id", b.id(item.Seq), "from", t.r.Message.From, "to", t.r.Message.To, "rule", code, "err", why)
	b.meter.Delivery(c.ln.Name, string(queue.Failed))
	return queue.Outcome{Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		if !c.has(d) {
			return nil, queue.ErrSkip
		}
		d.Code, d.Error = code, why
		return b.end(r, item.Delivery, queue.Failed, at, told.always), nil
	}}
}

// holdsLane is how often a first transmission may fail before those behind it in
// its lane may pass.
const holdsLane = 3

// later files a temporary error: the delivery is tried again, with growing waits,
// until its lifetime ends.
func (c *carrier) later(t *trip) queue.Outcome {
	at := c.b.stamp()
	wait, why := queue.Delay(t.d.Attempts+1, t.r.Message.Precedence, c.scatter(t)), t.err.Error()
	var le *link.LaterError
	if errors.As(t.err, &le) {
		wait, why = max(wait, le.Wait), le.Unwrap().Error()
	}
	begun := t.d.Begun || t.sent > 0 || t.d.Attempts+1 >= holdsLane
	c.b.log.Warn("not sent, trying again", "link", c.ln.Name, "id", c.b.id(t.item.Seq), "try", t.d.Attempts+1, "wait", wait, "err", why)
	c.b.meter.Delivery(c.ln.Name, "retried")
	return queue.Outcome{Urgent: !begun, Stop: !begun, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[t.item.Delivery]
		if !c.has(d) {
			return nil, queue.ErrSkip
		}
		t.copyParts(d)
		d.Attempts++
		d.Begun, d.Error = begun, why
		c.wait(d, at.Age.Add(wait))
		r.Note(at, "try failed", c.ln.Name, why)
		return nil, nil
	}}
}

// scatter is the jitter of a retry: different for each message, gateway and try,
// but not random, so that a simulated network can be replayed.
func (c *carrier) scatter(t *trip) uint64 {
	h := fnv.New64a()
	fmt.Fprint(h, c.b.id(t.item.Seq), t.d.Attempts)
	return h.Sum64()
}

// hold files that a station does not acknowledge: the text waits until the station
// is heard, and then gets one more round.
func (c *carrier) hold(item queue.Item, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	name := c.ln.Name
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		if !c.has(d) || d.State == queue.Parked {
			return nil, queue.ErrSkip
		}
		d.State, d.Due = queue.Held, at.Age
		d.Error = "not acknowledged"
		tellHeld(r, at)
		r.Note(at, "held", name, d.To+" does not acknowledge; one more try each time it is heard")
		return nil, nil
	}
}

// ackWait is the first wait for an acknowledgement: never less than three round
// trips on a paced channel.
func (c *carrier) ackWait() time.Duration {
	if c.ln.pace != nil {
		return max(c.ln.props.AckWait, c.ln.pace.threeRoundTrips)
	}
	return c.ln.props.AckWait
}
