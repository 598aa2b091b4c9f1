package bridge

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"posthouse/bridge/airtime"
	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// pace is the airtime of one mesh link: what a frame costs with its radio settings,
// and what is left of the hour's budget.
type pace struct {
	params          airtime.Params
	overhead        int // bytes that the mesh adds to each frame
	budget          *airtime.Budget
	threeRoundTrips time.Duration
	busy            atomic.Int64 // clock.Age until which the last frame and its repeats fill the channel
	typical         atomic.Int64 // time on the channel of one delivery, a running mean
}

const (
	airKey = "air/"
	// airUsed stands for an unknown use: the whole hour counts as used.
	airUsed = "used"
)

// ackBytes is the assumed size of a receipt's frame, which only the mesh's codec knows.
const ackBytes = 24

func (b *Bridge) newPace(ctx context.Context, ln *line) (*pace, error) {
	m := ln.Mesh
	cr, err := airtime.ParseCR(m.CR)
	if err != nil {
		return nil, err
	}
	p := &pace{overhead: m.OverheadBytes, params: airtime.Params{SF: m.SF, BW: m.BW, CR: cr, Preamble: m.Preamble}}
	if err := p.params.Validate(); err != nil {
		return nil, err
	}
	p.budget, err = airtime.New(airtime.Limits{Airtime: m.Airtime, Reserve: m.Reserve, Duty: m.Duty, Repeats: m.Repeats})
	if err != nil {
		return nil, err
	}
	saved, err := b.store.Setting(ctx, airKey+ln.Name)
	if err != nil {
		return nil, err
	}
	switch {
	case string(saved) == airUsed:
		p.budget.Exhaust(b.clock.Age())
	case saved != nil:
		if err := p.budget.Load(saved); err != nil {
			b.log.Error("the airtime of the last hour cannot be read; the hour counts as used", "link", ln.Name, "err", err)
			p.budget.Exhaust(b.clock.Age())
		}
	}
	// A frame and its ack, each repeated across the mesh, three times.
	p.threeRoundTrips = 3 * time.Duration(m.Repeats) * (p.cost(m.MaxBytes) + p.cost(ackBytes))
	p.typical.Store(int64(time.Duration(m.Repeats) * p.cost(m.MaxBytes))) // until something has been sent
	return p, nil
}

// cost is the time on air of one transmission of a text of so many bytes.
func (p *pace) cost(bytes int) time.Duration {
	return p.params.TimeOnAir(min(bytes+p.overhead, airtime.MaxPayload))
}

// request is one frame's request to the budget.
func (p *pace) request(b *Bridge, r *queue.Record, bytes int) airtime.Request {
	return airtime.Request{
		Cost: p.cost(bytes), Precedence: r.Message.Precedence, Sender: r.Message.From,
		Notice: r.Message.Kind == message.Notice, Waited: b.clock.Age().Sub(r.Accepted.Age),
	}
}

// errNoAir: the frame may not be sent now after all.
var errNoAir = errors.New("no airtime left")

// Pace says how long the next frame of a delivery has to wait: for airtime, and
// until the last frame is off the air, since nothing urgent can overtake a frame
// in the node's own queue. The bool is stepAside: only this sender, or only notices, have to wait.
func (c *carrier) Pace(r *queue.Record, delivery int) (time.Duration, bool) {
	now := c.b.clock.Age()
	wait, why := c.ln.pace.budget.Wait(now, c.ln.pace.request(c.b, r, c.nextBytes(r, delivery)))
	if rest := clock.Age(c.ln.pace.busy.Load()).Sub(now); rest > wait {
		return rest, false
	}
	return wait, why == airtime.SenderShare || why == airtime.NoticeShare || why == airtime.NeverPossible
}

// nextBytes is the size of a delivery's next frame.
func (c *carrier) nextBytes(r *queue.Record, delivery int) int {
	if r.Message.Kind == message.Receipt {
		return ackBytes
	}
	d := &r.Deliveries[delivery]
	size := len(r.Message.Text) + len(d.Before) + len(d.After)
	if limit := c.ln.props.Medium.MaxBytes; limit > 0 {
		size = min(size, limit)
	}
	return size
}

// Overdue tells whether a routine or welfare message has waited long enough to use
// the airtime that is kept for old messages.
func (c *carrier) Overdue(r *queue.Record) bool {
	now := c.b.clock.Age()
	return r.Message.Precedence >= message.Welfare && now.Sub(r.Accepted.Age) > airtime.Old && c.ln.pace.budget.OldOwed(now)
}

// spend takes the airtime of a trip's frame before it is sent, and writes it to
// disk first if the budget asks for that. It is not given back when the link turns
// out to be down, since the frame may have been transmitted all the same. That costs
// one frame each time the link goes down.
func (c *carrier) spend(ctx context.Context, t *trip) error {
	if c.ln.pace == nil {
		return nil
	}
	b, p := c.b, c.ln.pace
	req := p.request(b, t.r, len(t.frames[0].Text))
	if t.r.Message.Kind == message.Receipt {
		req.Cost = p.cost(ackBytes)
	}
	if wait, why := p.budget.Wait(b.clock.Age(), req); wait > 0 {
		return link.RetryAfter(wait, errors.Join(errNoAir, errors.New(string(why))))
	}
	err := p.budget.Spend(b.clock.Age(), req, func(saved []byte) error {
		_, err := b.store.Apply(ctx, queue.Op{Put: map[string][]byte{airKey + c.ln.Name: saved}})
		return err
	})
	if err == nil {
		channel := req.Cost * time.Duration(c.ln.Mesh.Repeats)
		p.busy.Store(int64(b.clock.Age().Add(channel)))
		if f := t.frames[0]; f.Part <= 1 { // once a delivery
			p.learn(channel * time.Duration(max(f.Parts, 1)))
		}
		b.meter.AirtimeSpent(c.ln.Name, channel)
		b.meter.Airtime(c.ln.Name, p.budget.Used(b.clock.Age()))
	}
	return err
}

// saveAir saves the exact airtime at the stop. Without it the next start counts a
// minute more as used.
func (b *Bridge) saveAir(ctx context.Context) {
	put := map[string][]byte{}
	for _, ln := range b.lines {
		if ln.pace != nil && b.runs(ln) {
			put[airKey+ln.Name] = ln.pace.budget.Save()
		}
	}
	if len(put) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, queue.Op{Put: put}); err != nil {
		b.log.Warn("saving the airtime failed; a minute of it more counts as used", "err", err)
	}
}

// learn takes one more delivery into the running mean, with a weight of an eighth.
func (p *pace) learn(channel time.Duration) {
	old := p.typical.Load()
	p.typical.Store(old + (int64(channel)-old)/8)
}

// expectedWait is how long it takes to send so many deliveries.
func (p *pace) expectedWait(now clock.Age, deliveries int64) time.Duration {
	typical := max(p.typical.Load(), 1)
	return p.budget.Drain(now, time.Duration(typical*min(deliveries, maxDrained/typical)))
}

// maxDrained bounds the sum that expectedWait works with, so that it cannot overflow.
const maxDrained = int64(365 * 24 * time.Hour)
