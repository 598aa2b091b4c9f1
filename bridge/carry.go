package bridge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// carrier carries out what the courier of one link has chosen.
type carrier struct {
	b  *Bridge
	ln *line
}

// trip is one job on its way out: its frames of this round, and what went wrong.
type trip struct {
	item   queue.Item
	chosen *queue.Delivery // as the courier has it: it may know more of the parts than the disk
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

// Carry fits each job to the medium, sends its frames, and says what is to be
// filed.
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

// prepare has the record afresh and makes the frames of this round.
func (c *carrier) prepare(ctx context.Context, j queue.Job) *trip {
	t := &trip{item: j.Item, chosen: &j.Record.Deliveries[j.Item.Delivery]}
	r, err := c.b.store.Fresh(ctx, j.Record)
	if err != nil || !c.has(&r.Deliveries[j.Item.Delivery]) || !waits(&r.Deliveries[j.Item.Delivery]) {
		return t.settle(queue.Outcome{}) // dropped, held, acknowledged or gone since it was chosen
	}
	d := r.Deliveries[j.Item.Delivery]
	d.Parts = slices.Clone(d.Parts)
	t.r, t.d = r, &d // a copy: the courier gives the record to the store as it was read
	t.knowParts()
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
	if r.Message.Kind == message.Text && c.exhausted(t.d) { // a receipt goes on being offered to the gateway it is for
		return t.settle(queue.Outcome{Urgent: true, Change: c.hold(j.Item, at)})
	}
	if untouched(t.d) || c.isUnanswered(t.d) {
		if next, ok := c.b.roamed(r, j.Item.Delivery); ok {
			c.b.far.free(j.Item.Seq)
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

// has tells whether a delivery is still this link's: the operator may have ended
// it or moved it to another link while it was being carried, or a far gateway has
// taken it over.
func (c *carrier) has(d *queue.Delivery) bool {
	return d.Link == c.ln.Name && d.State.Open() && d.State != queue.Passed
}

// wait has a delivery wait until due; what the operator has parked meanwhile
// stays parked.
func (c *carrier) wait(d *queue.Delivery, due clock.Age) {
	if d.State != queue.Parked {
		d.State = queue.Later
	}
	d.Due = due
}

// waits tells whether a delivery is there to be sent.
func waits(d *queue.Delivery) bool { return d.State == queue.Ready || d.State == queue.Later }

// keepParts has the courier know what was sent, for when it asks for the rest
// before the marks are on disk.
func (t *trip) keepParts() {
	if t.d != nil {
		t.chosen.Parts, t.chosen.Before, t.chosen.After = slices.Clone(t.d.Parts), t.d.Before, t.d.After
	}
}

// knowParts adds what the courier knows to what is on disk.
func (t *trip) knowParts() {
	if len(t.d.Parts) == 0 {
		t.d.Parts, t.d.Before, t.d.After = slices.Clone(t.chosen.Parts), t.chosen.Before, t.chosen.After
	}
	if len(t.chosen.Parts) != len(t.d.Parts) {
		return
	}
	for i, p := range t.chosen.Parts {
		t.d.Parts[i].Sent = t.d.Parts[i].Sent || p.Sent
	}
}

// untouched tells that nothing of a delivery was ever transmitted.
func untouched(d *queue.Delivery) bool {
	return d.Round == 0 && !slices.ContainsFunc(d.Parts, func(p queue.Part) bool { return p.Sent || p.Acked })
}

// isUnanswered tells whether a far gateway was given a delivery, and has said nothing
// for as long as one waits for that.
func (c *carrier) isUnanswered(d *queue.Delivery) bool {
	return c.ln.trunk != nil && d.Gateway != "" && d.Round > 0 && c.roundOver(d)
}

// exhausted tells whether a delivery has had all its rounds without being
// acknowledged.
func (c *carrier) exhausted(d *queue.Delivery) bool {
	return d.Begun && d.Round > c.ln.props.Resends && len(d.Parts) > 0 && d.Parts[0].ID != "" && c.roundOver(d)
}

// roundOver tells whether every part that is missing has been sent this round.
func (c *carrier) roundOver(d *queue.Delivery) bool {
	for _, p := range d.Parts {
		if !p.Acked && !p.Sent {
			return false
		}
	}
	return true
}

// makeFrames fits the text to the medium and takes the parts that are to go out
// in this round.
func (c *carrier) makeFrames(t *trip) error {
	m := t.r.Message
	mark, text := c.b.mark(c.ln, &m)
	if untouched(t.d) { // later the marks stay, so that a resend is the same to the byte
		t.d.Before, t.d.After = mark.Before, mark.After
	}
	texts := []string{text}
	if m.Kind == message.Text || m.Kind == message.Notice {
		var err error
		if texts, err = fit.Fit(text, c.ln.props.Medium, fit.Mark{Before: t.d.Before, After: t.d.After}); err != nil {
			return err
		}
	}
	if len(t.d.Parts) != len(texts) {
		t.d.Parts = make([]queue.Part, len(texts))
	}
	if c.roundOver(t.d) { // a new round
		for i := range t.d.Parts {
			t.d.Parts[i].Sent = false
		}
	}
	m.To = t.d.To
	for i, text := range texts {
		p := &t.d.Parts[i]
		if p.Acked || p.Sent {
			continue
		}
		t.part = append(t.part, i)
		t.frames = append(t.frames, link.Frame{
			Message: m, Text: text, ID: p.ID, Part: i + 1, Parts: len(texts),
			Attempt: t.d.Attempts + 1, Record: c.b.id(t.r.Seq), Gateway: t.d.Gateway,
			Left: t.r.Until.Sub(c.b.clock.Age()),
		})
		if c.ln.pace != nil {
			break // on a slow channel something urgent may come between two parts
		}
	}
	return nil
}

// wantsAck tells whether an acknowledgement is asked of the addressee.
func (c *carrier) wantsAck(t *trip) bool { return c.b.wantsAck(c.ln, t.r, t.d) }

// nameFrames gives the parts of direct texts that have none yet their frame ids, and
// has them on disk before the first of them goes out.
func (c *carrier) nameFrames(ctx context.Context, trips []*trip) {
	var ops []queue.Op
	var written []*trip
	given := map[string]bool{}
	for _, t := range trips {
		if c.ln.trunk != nil && t.done == nil {
			t.d.Parts[0].ID = c.b.id(t.item.Seq) // our own id is found without an index
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
		why := err // none of them is on disk
		if why == nil {
			why = done[i].Err
		}
		if why != nil {
			t.err = fmt.Errorf("writing down the frame ids: %w", why)
		}
	}
}

// send gives the frames of all trips to the link, in order.
func (c *carrier) send(ctx context.Context, trips []*trip) {
	frames, of := make([]link.Frame, 0, len(trips)), make([]*trip, 0, len(trips))
	stopped := map[queue.Lane]bool{} // one of it is not offered now
	for _, t := range trips {
		if t.done != nil {
			continue
		}
		if stopped[t.lane()] {
			t.settle(queue.Outcome{Again: true}) // it waits for the one in front
			continue
		}
		if t.err == nil && !c.Open() { // the operator said quiet, or the link went down, since it was chosen
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

// index finds the frame of a part number.
func (t *trip) index(part int) int {
	for i, p := range t.part {
		if p == part-1 {
			return i
		}
	}
	return 0
}

// outcome says what is to be filed for one trip.
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

// down has a job carried again once the link is up, less what of it was taken.
func (c *carrier) down(t *trip) queue.Outcome {
	out := queue.Outcome{Again: true}
	if t.sent > 0 {
		out = c.partSent(t)
	}
	out.Down = true
	return out
}

// waitForAir puts a frame off that costs more air than it looked like. It is no
// failure and counts as no attempt.
func (c *carrier) waitForAir(t *trip) queue.Outcome {
	var le *link.LaterError
	if !errors.As(t.err, &le) || le.Wait > t.r.Until.Sub(c.b.clock.Age()) {
		return c.fail(t, link.CodeTooLong, "one frame of it costs more airtime than there is")
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

// partSent marks the parts that went out; more are to follow.
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

// copyParts brings the parts in the store up to what was sent, and keeps the
// acks that came meanwhile.
func (t *trip) copyParts(d *queue.Delivery) {
	d.Before, d.After = t.d.Before, t.d.After
	if len(d.Parts) != len(t.d.Parts) {
		d.Parts = slices.Clone(t.d.Parts)
		return
	}
	for i := range d.Parts {
		d.Parts[i].Sent = t.d.Parts[i].Sent
	}
}

// longestAckWait bounds the doubling: after that a station counts as gone and
// the text is held until it is heard.
const longestAckWait = 30 * time.Minute

// finishRound files that all parts of this round are out.
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
	out := queue.Outcome{Put: c.b.gave(t.d.To, &t.r.Message)}
	out.Change = func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[t.item.Delivery]
		late := d.State == queue.Expired && state == queue.Delivered // its time ended while the server took it
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
	// A confirmed delivery sends a receipt to its writer, who waits for it.
	out.Urgent = state == queue.Delivered && t.r.Message.Kind == message.Text
	return out
}

func sentWord(s queue.State) string {
	if s == queue.Delivered {
		return "delivered"
	}
	return "sent"
}

// fail ends a delivery that nothing can mend, and tells its writer.
func (c *carrier) fail(t *trip, code, why string) queue.Outcome {
	b, item, at := c.b, t.item, c.b.stamp()
	told := b.mayTell(&t.r.Message)
	b.log.Warn("failed", "link", c.ln.Name, "id", b.id(item.Seq), "rule", code, "err", why)
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

// holdsLane is how often a first transmission may fail before the delivery lets
// those behind it pass.
const holdsLane = 3

// later files a temporary error: the delivery is tried again with a growing
// wait, until its lifetime ends.
func (c *carrier) later(t *trip) queue.Outcome {
	at := c.b.stamp()
	wait := queue.Delay(t.d.Attempts+1, t.r.Message.Precedence, c.scatter(t))
	var le *link.LaterError
	if errors.As(t.err, &le) {
		wait = max(wait, le.Wait)
	}
	why := t.err.Error()
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

// scatter differs for each message, gateway and try. It is no random number, so
// that a simulated network can be run again.
func (c *carrier) scatter(t *trip) uint64 {
	h := fnv.New64a()
	fmt.Fprint(h, c.b.id(t.item.Seq), t.d.Attempts)
	return h.Sum64()
}

// hold files that a station does not acknowledge: its text waits until the
// station is heard, and is then tried for one more round.
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
