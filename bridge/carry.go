package bridge

import (
	"context"
	"slices"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// carrier sends what the courier of one link has chosen.
type carrier struct {
	b  *Bridge
	ln *line
}

// trip is one job on its way out: its frames of this round, and the first error.
type trip struct {
	item   queue.Item
	chosen *queue.Delivery // the courier's copy: it may know of sent parts that are not on disk yet
	r      *queue.Record
	d      *queue.Delivery
	frames []link.Frame
	part   []int // of each frame, index into d.Parts
	sent   int
	err    error
	done   *queue.Outcome // known before anything was sent
}

// Open tells whether the link may send now.
func (c *carrier) Open() bool {
	return c.b.mayWork(c.ln) && c.ln.up.Load() && c.ln.MaySend() && c.ln.transmits() && !c.b.control.isQuiet(c.ln.Name)
}

// Carry fits each job to the medium, sends its frames, and returns what to file.
func (c *carrier) Carry(ctx context.Context, jobs []queue.Job) []queue.Outcome {
	trips := make([]*trip, len(jobs))
	for i, j := range jobs {
		trips[i] = c.prepare(ctx, j)
	}
	c.nameFrames(ctx, trips)
	c.send(ctx, trips)
	out := make([]queue.Outcome, len(trips))
	for i, t := range trips {
		if out[i] = c.outcome(ctx, t); out[i].Again {
			t.keepParts()
		}
	}
	return out
}

// prepare reads the record again, checks that it may still go out here, and makes
// the frames of this round.
func (c *carrier) prepare(ctx context.Context, j queue.Job) *trip {
	t := &trip{item: j.Item, chosen: &j.Record.Deliveries[j.Item.Delivery]}
	r, err := c.b.store.Fresh(ctx, j.Record)
	if err != nil || !c.has(&r.Deliveries[j.Item.Delivery]) || !waits(&r.Deliveries[j.Item.Delivery]) {
		return t.settle(queue.Outcome{}) // dropped, held, acknowledged or gone since it was chosen
	}
	d := r.Deliveries[j.Item.Delivery]
	d.Parts = slices.Clone(d.Parts)
	t.r, t.d = r, &d // a copy: the courier gives the record to the store as it was read
	c.knowParts(t)
	at := c.b.stamp()
	if at.Age >= r.Until {
		return t.settle(queue.Outcome{Urgent: true, Change: c.b.expire(at, c.b.mayTell(&r.Message))})
	}
	if r.Turn {
		if o := c.takeTurn(ctx, t); o != nil {
			return t.settle(*o)
		}
		r = t.r
	}
	if !c.reaches(t.d) {
		return t.settle(queue.Outcome{Urgent: true, Change: c.astray(j.Item, r, at)})
	}
	if r.Message.Kind == message.Text && c.exhausted(t.d) { // a receipt is offered to its gateway until its lifetime ends
		return t.settle(queue.Outcome{Urgent: true, Change: c.hold(j.Item, at)})
	}
	if untouched(t.d) || c.isUnanswered(t.d) {
		if next, ok := c.b.roamed(r, j.Item.Delivery); ok {
			c.b.far.freeRoom(j.Item.Seq)
			return t.settle(queue.Outcome{Urgent: true, Change: c.b.follow(j.Item.Delivery, c.ln.Name, next, at)})
		}
	}
	if ref := c.b.blockedSince(&r.Message, t.d.To); ref != nil {
		return t.settle(c.fail(t, ref.Code, ref.Why))
	}
	if ref := rules.CheckOut(&r.Message, c.b.out(c.ln, &r.Message)); ref != nil {
		return t.settle(c.fail(t, ref.Code, ref.Why))
	}
	if err := c.makeFrames(t); err != nil {
		return t.settle(c.fail(t, link.CodeTooLong, err.Error()))
	}
	return t
}

func (t *trip) settle(o queue.Outcome) *trip {
	t.done = &o
	return t
}

func (t *trip) lane() queue.Lane { return t.r.LaneOf(t.d) }

// has tells whether a delivery is still this link's: meanwhile the operator may
// have ended or moved it, or a far gateway may have taken it over.
func (c *carrier) has(d *queue.Delivery) bool {
	return d.Link == c.ln.Name && d.State.Open() && d.State != queue.Passed
}

// waits tells whether a delivery waits to be sent.
func waits(d *queue.Delivery) bool { return d.State == queue.Ready || d.State == queue.Later }

// untouched tells whether nothing of a delivery was transmitted yet.
func untouched(d *queue.Delivery) bool {
	return d.Round == 0 && !slices.ContainsFunc(d.Parts, func(p queue.Part) bool { return p.Sent || p.Acked })
}

// isUnanswered tells whether a far gateway was sent a delivery and has not answered
// in time.
func (c *carrier) isUnanswered(d *queue.Delivery) bool {
	return c.ln.trunk != nil && d.Gateway != "" && d.Round > 0 && c.roundOver(d)
}

// exhausted tells whether a delivery has had all its rounds without being
// acknowledged.
func (c *carrier) exhausted(d *queue.Delivery) bool {
	return d.Begun && d.Round > c.ln.props.Resends && len(d.Parts) > 0 && d.Parts[0].ID != "" && c.roundOver(d)
}

// send gives the frames of all trips to the link, in order.
func (c *carrier) send(ctx context.Context, trips []*trip) {
	frames, of := make([]link.Frame, 0, len(trips)), make([]*trip, 0, len(trips))
	stopped := map[queue.Lane]bool{} // lanes whose first message cannot go now
	for _, t := range trips {
		if t.done != nil {
			continue
		}
		if stopped[t.lane()] {
			t.settle(queue.Outcome{Again: true}) // it must not overtake
			continue
		}
		if t.err == nil && !c.Open() { // quiet, or down, since it was chosen
			t.err = link.ErrDown
		}
		if t.err == nil {
			t.err = c.spend(ctx, t)
		}
		if t.err != nil {
			stopped[t.lane()] = true
			continue
		}
		for range t.frames {
			of = append(of, t)
		}
		frames = append(frames, t.frames...)
	}
	if len(frames) == 0 {
		return
	}
	start := time.Now()
	errs := c.ln.link.Send(ctx, frames)
	c.b.meter.SendTime(c.ln.Name, time.Since(start)/time.Duration(len(frames)))
	for i, err := range errs {
		t := of[i]
		if err != nil && t.err == nil {
			t.err = err
		}
		if err == nil {
			t.d.Parts[t.part[t.index(frames[i].Part)]].Sent = true
			t.sent++
			c.b.transmitted(c.ln, &frames[i])
		}
	}
}
