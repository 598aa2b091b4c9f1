package queue

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// Carrier carries out what a courier has chosen. The bridge gives one for each
// link. Its methods are called from the courier's goroutines.
type Carrier interface {
	// Open tells whether anything may go out on the link now. While it may not,
	// the courier sleeps until Wake.
	Open() bool

	// Pace says how long to wait before the next frame of this delivery may go
	// out; 0 is now. With stepAside set only this sender has to wait, and others
	// may go before; without it nothing of the same or a lower precedence may.
	Pace(r *Record, delivery int) (wait time.Duration, stepAside bool)

	// Overdue tells whether a delivery of low precedence has waited so long that
	// it may use the share of the air that is kept for such.
	Overdue(r *Record) bool

	// Carry sends jobs in the order given and returns one Outcome each. It
	// returns soon after ctx ends. A job's record may be altered only if it is asked
	// for Again.
	Carry(ctx context.Context, jobs []Job) []Outcome
}

// Job is one delivery to be carried out now.
type Job struct {
	Item   Item
	Record *Record
}

// Outcome is what came of a Job.
type Outcome struct {
	// Change files it in the record; nil leaves the record as it is.
	Change func(*Record) ([]*Record, error)
	// Urgent has it written at once and not with the next commit.
	Urgent bool
	// Put sets small values in the same step as Change.
	Put map[string][]byte
	// Again asks to be given the same job again, before what is behind it in
	// its lane: more parts are to go out, or the link went down.
	Again bool
	// Stop holds up what is behind it in its lane until the store lists a head
	// there again: the first transmission failed and order is to be kept.
	Stop bool
	// Down says that the link took nothing for want of a connection: the courier
	// pauses, also when the link has not said yet that it is down.
	Down bool
}

// CourierOptions are what a courier needs.
type CourierOptions struct {
	Link            string
	Batch           int  // jobs in one Carry
	InOrder         bool // Carry keeps the order also within a lane: it may be given several of one
	Parallel        int  // Carry calls at once
	OnePerAddressee bool // one unacknowledged delivery per addressee
	Paced           bool // Pace and Overdue have something to say
	// Room asks before a delivery is taken whether the far side has room for it,
	// and keeps the place; without room others may go before. Wake when there is
	// room again. nil: always.
	Room func(r *Record, delivery int) bool
	// Take asks before a delivery is taken whether its lane is this process's, where
	// several share a queue. nil: all are.
	Take    func(Lane) (giveBack func(), ok bool)
	Store   Store
	Clock   *clock.Clock
	Carrier Carrier
	Log     *slog.Logger
}

// Courier serves one link: it takes what is due, the highest precedence first,
// within it a turn for each sender, within a lane in order, and files what came
// of it.
//
// What a crash leads to: an outcome that was filed lazily and had not reached
// the disk is forgotten, so the frame goes out once more. Resends carry the
// same frame id, by which the other side can know them.
type Courier struct {
	CourierOptions
	wake    chan struct{}
	work    chan []*pick // for the goroutines that carry
	workers int
	results chan carried
	running int
	resume  time.Time // nothing is carried before
	late    []Op      // outcomes that could not be written yet

	window *window
}

// carried is the end of one Carry.
type carried struct {
	picks    []*pick
	outcomes []Outcome
}

// NewCourier makes a courier; Run starts it.
func NewCourier(o CourierOptions) *Courier {
	o.Batch, o.Parallel = max(o.Batch, 1), max(o.Parallel, 1)
	if o.Paced { // the air that Pace lets go is spent in Carry: one at a time, or two get the same
		o.Batch, o.Parallel = 1, 1
	}
	return &Courier{
		CourierOptions: o,
		wake:           make(chan struct{}, 1),
		results:        make(chan carried, o.Parallel),
		window:         newWindow(o),
	}
}

// Wake makes the courier look again: something new is there, the link came up,
// an acknowledgement arrived. It never blocks.
func (c *Courier) Wake() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// Reshared makes the courier look again, also at what was another process's.
func (c *Courier) Reshared() {
	c.window.reshared.Store(true)
	c.Wake()
}

// Run works until ctx ends and every Carry has returned.
func (c *Courier) Run(ctx context.Context) {
	var carrying sync.WaitGroup
	defer carrying.Wait()
	c.work, c.workers = make(chan []*pick), 0
	defer close(c.work)
	if ctx.Err() != nil {
		return
	}
	c.window.stale()
	// No timer of 0: under the race detector Go 1.26 crashes when two of a test's bubble
	// are seen to be due at the same moment, as those of couriers that start together.
	timer := time.NewTimer(c.dispatch(ctx, &carrying))
	defer timer.Stop()
	for {
		var done []carried
		select {
		case <-ctx.Done():
		case <-c.wake:
			c.window.stale()
		case one := <-c.results:
			done = append(done, one)
		case <-timer.C:
			c.window.stale()
		}
		c.file(context.WithoutCancel(ctx), c.ended(done))
		if ctx.Err() != nil {
			c.finish()
			return
		}
		c.hear()
		timer.Reset(c.dispatch(ctx, &carrying))
	}
}

// hear has the next choice look for what is new if there is a word of it by now: an
// emergency that came with the end of a Carry does not wait for the end of another.
func (c *Courier) hear() {
	select {
	case <-c.wake:
		c.window.stale()
	default:
	}
}

// finish files what came of the last Carry calls; the store is still open.
func (c *Courier) finish() {
	for c.running > 0 {
		c.file(context.Background(), c.ended([]carried{<-c.results}))
	}
	if !c.fileLate(context.Background()) {
		c.Log.Error("what became of messages could not be filed; they may go out once more", "link", c.Link, "changes", len(c.late))
	}
}

const (
	longestNap = 30 * time.Second // bounds a sleep: a missed hint costs no more than this
	downPause  = time.Second      // after the link took nothing
	againPause = 5 * time.Second  // after the store failed
)

// dispatch starts as many Carry calls as may run and says how long to sleep.
func (c *Courier) dispatch(ctx context.Context, carrying *sync.WaitGroup) time.Duration {
	if !c.fileLate(context.WithoutCancel(ctx)) {
		return againPause // nothing more goes out of which the end could not be filed
	}
	for c.running < c.Parallel {
		if !c.Carrier.Open() {
			return longestNap
		}
		if pause := time.Until(c.resume); pause > 0 {
			return pause
		}
		picks, wait, err := c.window.choose(ctx)
		if err != nil {
			if ctx.Err() == nil {
				c.Log.Error("reading the queue failed, trying again", "link", c.Link, "err", err)
			}
			return againPause
		}
		if len(picks) == 0 {
			return min(wait, longestNap)
		}
		c.running++
		c.give(ctx, picks, carrying)
	}
	return longestNap
}

// give has picks carried by a goroutine that lives on: a new one for each would
// have to grow its stack each time.
func (c *Courier) give(ctx context.Context, picks []*pick, carrying *sync.WaitGroup) {
	if c.workers < c.running {
		c.workers++
		carrying.Go(func() {
			for picks := range c.work {
				// The channel holds one result for each Carry that may run: this never blocks.
				c.results <- carried{picks, c.carry(ctx, picks)}
			}
		})
	}
	c.work <- picks // one of them is free, or will be in a moment
}

// carry has the picks carried out. Messages that make the code panic are put
// aside with the reason, not lost and not tried for ever.
func (c *Courier) carry(ctx context.Context, picks []*pick) (out []Outcome) {
	defer func() {
		if p := recover(); p != nil {
			c.Log.Error("carrying out messages went wrong; they are held for the operator", "link", c.Link, "err", p, "stack", string(debug.Stack()))
			out = make([]Outcome, len(picks))
			for i := range out {
				out[i] = Outcome{Urgent: true, Change: park(picks[i].item, fmt.Sprint(p))}
			}
		}
	}()
	jobs := make([]Job, len(picks))
	for i, p := range picks {
		jobs[i] = Job{Item: p.item, Record: p.record}
	}
	return c.Carrier.Carry(ctx, jobs)
}

// park holds a delivery for the operator.
func park(it Item, why string) func(*Record) ([]*Record, error) {
	return func(r *Record) ([]*Record, error) {
		d := &r.Deliveries[it.Delivery]
		if !d.State.Open() {
			return nil, ErrSkip
		}
		d.State, d.Error = Parked, why
		return nil, nil
	}
}

// ended adds what other Carry calls have ended with by now: one sync files it all.
func (c *Courier) ended(all []carried) []carried {
	for {
		select {
		case done := <-c.results:
			all = append(all, done)
		default:
			c.running -= len(all)
			return all
		}
	}
}

// file gives the outcomes to the store and the picks back to the window.
func (c *Courier) file(ctx context.Context, all []carried) {
	var ops []Op
	var urgent bool
	for _, done := range all {
		c.giveBack(done)
		for i, out := range done.outcomes {
			if out.Change != nil {
				ops = append(ops, c.change(done.picks[i], out)...)
				urgent = urgent || out.Urgent
			}
		}
	}
	if len(ops) == 0 {
		return
	}
	for i := range ops {
		ops[i].Lazy = !urgent
	}
	c.late = append(c.late, ops...)
	c.fileLate(ctx)
}

// change is what an outcome changes in the store.
func (c *Courier) change(p *pick, out Outcome) []Op {
	op := Op{Seq: p.item.Seq, Change: out.Change}
	if !out.Again {
		op.Read, p.record = p.record, nil
		op.Then = func(Done) { c.window.filed(p); c.Wake() }
	}
	if len(out.Put) == 0 {
		return []Op{op}
	}
	return []Op{op, {Put: out.Put}}
}

// giveBack closes the lanes that are to stop and gives the window what is to be
// carried again: the last one first, so that a lane has them in order.
func (c *Courier) giveBack(done carried) {
	for i, out := range done.outcomes {
		done.picks[i].lane.out--
		if out.Stop {
			c.window.stop(done.picks[i])
		}
		if out.Down {
			c.resume = time.Now().Add(downPause)
		}
	}
	for i := len(done.outcomes) - 1; i >= 0; i-- {
		if out := done.outcomes[i]; out.Again || out.Change == nil {
			c.window.back(done.picks[i], out.Again)
		}
	}
}

// fileLate writes the outcomes that are not with the store yet. Until that works
// their messages stay out of the window: what was sent is not sent again because
// the disk fails.
func (c *Courier) fileLate(ctx context.Context) bool {
	if len(c.late) == 0 {
		return true
	}
	if _, err := c.Store.Apply(ctx, c.late...); err != nil {
		c.Log.Error("filing what became of messages failed, trying again", "link", c.Link, "err", err)
		return false
	}
	c.late = nil
	return true
}

// pick is a delivery on its way from the window through Carry and back.
type pick struct {
	item       Item
	record     *Record
	lane       *lane
	precedence message.Precedence
	again      bool   // it came back: what of it was sent may not be on disk yet
	giveBack   func() // gives its lane back, see CourierOptions.Take; nil: nothing to give
}
