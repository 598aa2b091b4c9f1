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

// Carrier sends what a courier has chosen. The bridge has one for each link. Its
// methods are called from the courier's goroutines.
type Carrier interface {
	// Open tells whether anything may go out on the link now. If not, the courier
	// sleeps until Wake.
	Open() bool

	// Pace says how long the next frame of a delivery has to wait; 0: it may go now.
	// With stepAside set others may go before it, else nothing of the same or a lower
	// precedence may.
	Pace(r *Record, delivery int) (wait time.Duration, stepAside bool)

	// Overdue tells whether a delivery of low precedence has waited so long that it
	// may use the airtime that is kept for old messages.
	Overdue(r *Record) bool

	// Carry sends jobs in the order given and returns one Outcome each. It returns
	// soon after ctx ends. It may change a job's record only if the Outcome is Again.
	Carry(ctx context.Context, jobs []Job) []Outcome
}

// Job is one delivery to be sent now.
type Job struct {
	Item   Item
	Record *Record
}

// Outcome is the result of a Job.
type Outcome struct {
	// Change files it in the record; nil leaves the record as it is.
	Change func(*Record) ([]*Record, error)
	// Urgent writes it at once and not with the next commit.
	Urgent bool
	// Put sets small values in the same step as Change.
	Put map[string][]byte
	// Again asks for the same job again, before what is behind it in its lane: more
	// parts have to go out, or the link went down.
	Again bool
	// Stop stops the lane until the store lists its head again: the first transmission
	// failed, and nothing may overtake it.
	Stop bool
	// Down: the link had no connection. The courier pauses, even if the link does not
	// know yet that it is down.
	Down bool
}

// CourierOptions are what a courier needs.
type CourierOptions struct {
	Link            string
	Batch           int  // jobs in one Carry
	InOrder         bool // one Carry may get several jobs of a lane: it keeps their order
	Parallel        int  // Carry calls at once
	OnePerAddressee bool // one unacknowledged delivery per addressee
	Paced           bool // Pace and Overdue are to be asked
	// Room reserves room for a delivery at the far side; false: there is none, and
	// others may go before it. Call Wake when there is room again. nil: always room.
	Room func(r *Record, delivery int) bool
	// Take borrows a lane, where several processes share a queue; false: it is another
	// process's. nil: all lanes are ours.
	Take    func(Lane) (giveBack func(), ok bool)
	Store   Store
	Clock   *clock.Clock
	Carrier Carrier
	Log     *slog.Logger
}

// Courier serves one link: it takes what is due, the highest precedence first, senders
// in turn, each lane in order, and files the outcomes.
//
// A crash may lose an outcome that was filed lazily: then the frame goes out once
// more, with the same frame id, by which the other side can recognise it.
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
	if o.Paced { // Carry spends the airtime that Pace saw: with two at once both would get it
		o.Batch, o.Parallel = 1, 1
	}
	return &Courier{
		CourierOptions: o,
		wake:           make(chan struct{}, 1),
		results:        make(chan carried, o.Parallel),
		window:         newWindow(o),
	}
}

// Wake makes the courier look again: there is something new, the link came up, an
// acknowledgement arrived. It never blocks.
func (c *Courier) Wake() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// Reshared makes the courier look again, also at lanes that another process had.
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
	// No timer of 0: with the race detector Go 1.26 crashes if two timers of a test's
	// bubble are due at the same moment, as those of couriers that start together would be.
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

// hear takes a Wake that came together with the end of a Carry, so that an emergency
// need not wait until the next Carry ends.
func (c *Courier) hear() {
	select {
	case <-c.wake:
		c.window.stale()
	default:
	}
}

// finish files the outcomes of the last Carry calls; the store is still open.
func (c *Courier) finish() {
	for c.running > 0 {
		c.file(context.Background(), c.ended([]carried{<-c.results}))
	}
	if !c.fileLate(context.Background()) {
		c.Log.Error("results of sending could not be stored; these messages may be sent once more", "link", c.Link, "changes", len(c.late))
	}
}

const (
	longestNap = 30 * time.Second // bounds a sleep: a missed hint costs no more than this
	downPause  = time.Second      // after the link took nothing
	againPause = 5 * time.Second  // after the store failed
)

// dispatch starts as many Carry calls as may run, and returns how long to sleep.
func (c *Courier) dispatch(ctx context.Context, carrying *sync.WaitGroup) time.Duration {
	if !c.fileLate(context.WithoutCancel(ctx)) {
		return againPause // send nothing while outcomes cannot be filed
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

// give passes picks to a goroutine that is reused: a new one would have to grow its
// stack each time.
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

// carry sends the picks. Messages that make the code panic are parked with the reason,
// neither lost nor tried for ever.
func (c *Courier) carry(ctx context.Context, picks []*pick) (out []Outcome) {
	defer func() {
		if p := recover(); p != nil {
			c.Log.Error("sending messages panicked; they are held for the operator", "link", c.Link, "err", p, "stack", string(debug.Stack()))
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

// ended adds the results of other Carry calls that have ended by now, so that one sync
// files them all.
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

// file writes the outcomes to the store and returns the picks to the window.
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

// giveBack stops lanes, and returns to the window what has to be sent again: the last
// one first, so that they end up in order.
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

// fileLate writes the outcomes that are not stored yet. Until that works their messages
// stay out of the window, so that a failing disk does not make us send them again.
func (c *Courier) fileLate(ctx context.Context) bool {
	if len(c.late) == 0 {
		return true
	}
	if _, err := c.Store.Apply(ctx, c.late...); err != nil {
		c.Log.Error("storing results of sending failed, trying again", "link", c.Link, "err", err)
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
	again      bool   // it came back: which parts were sent may not be on disk yet
	giveBack   func() // returns its lane, see CourierOptions.Take; nil: none was taken
}
