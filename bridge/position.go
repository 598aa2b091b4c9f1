package bridge

import (
	"context"
	"math"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
	"posthouse/bridge/rules"
)

// How often positions of a standing station are gated, how old they may be, and
// which distance counts as moving.
const (
	standingEvery   = 30 * time.Minute
	oldestPosition  = 5 * time.Minute
	movedMetres     = 50
	positionsAtOnce = 200

	farPositionEvery = time.Minute // on trunks

	// leaveIt is how long a gateway that does not transmit for the mesh waits: perhaps
	// another gateway of the mesh announces the same position.
	leaveIt = 3 * time.Second
)

// positions gates the positions of stations that were heard by radio. They are not
// stored: a late position is worth nothing.
type positions struct {
	ln    *line
	every time.Duration // a moving station at most this often; 0: none are gated
	next  chan *offered // pointers: a message is large, and mostly none waits

	mu   sync.Mutex
	last map[string]gatedPosition
}

// offered is a position to be sent, after wait.
type offered struct {
	message.Message
	heard time.Time
	wait  time.Duration
}

type gatedPosition struct {
	where message.Where
	at    time.Time
}

func newPositions(ln *line) *positions {
	p := &positions{ln: ln, next: make(chan *offered, positionsAtOnce), last: map[string]gatedPosition{}}
	switch {
	case !ln.props.Positions:
	case ln.APRS != nil:
		p.every = max(ln.APRS.PositionEvery, time.Second)
	case ln.trunk != nil:
		p.every = farPositionEvery
	}
	return p
}

// position offers a position that was heard by radio to the links that gate
// positions.
func (b *Bridge) position(from *line, m *message.Message) {
	if !from.props.Radio || m.Via != "" || m.Where == nil || b.stale(m.Where) {
		return
	}
	if rules.Check(m, b.policy(from)) != nil {
		return
	}
	out := &offered{Message: *m, heard: time.Now()}
	out.Mesh = from.meshName()
	if b.anotherTransmits(from) {
		out.wait = leaveIt
	}
	for _, ln := range b.lines {
		if ln != from && ln.gated.every > 0 && (&carrier{b: b, ln: ln}).Open() && ln.gated.isDue(m) {
			select {
			case ln.gated.next <- out:
			default:
				b.meter.Dropped(ln.Name, "positions-full")
			}
		}
	}
}

// positionTold notes that another gateway of one of our meshes has announced a
// position: then this one need not, on the trunk, and on APRS if that gateway gates
// positions, too.
func (b *Bridge) positionTold(p *link.FarPosition) {
	if b.sharedLine(p.Mesh) == nil || !b.far.table.Serves(p.Mesh, p.Gateway) {
		return
	}
	gates := slices.ContainsFunc(b.far.table.Living(p.Mesh, time.Now()), func(s presence.Say) bool {
		return s.Call == p.Gateway && slices.Contains(s.Offers, offersPositions)
	})
	m := &message.Message{From: p.Call, Where: &p.Where}
	for _, ln := range b.lines {
		if ln.gated.every > 0 && (ln.trunk != nil || gates) {
			ln.gated.wants(m, time.Now())
		}
	}
}

// offersPositions is in the Offers of a gateway that gates positions to APRS.
const offersPositions = "positions"

// stale tells whether a position is too old, or none at all: 0,0 is what a receiver
// without a fix reports.
func (b *Bridge) stale(w *message.Where) bool {
	if w.Lat == 0 && w.Lon == 0 {
		return true
	}
	now, trusted := b.clock.Wall()
	return trusted && !w.Time.IsZero() && now.Sub(w.Time).Abs() > oldestPosition
}

// isDue tells whether it is time for another position of this station.
func (p *positions) isDue(m *message.Message) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.due(m, time.Now())
}

func (p *positions) due(m *message.Message, now time.Time) bool {
	last, ok := p.last[m.From]
	wait := p.every
	if ok && distance(last.where, *m.Where) < movedMetres {
		wait = standingEvery
	}
	return !ok || now.Sub(last.at) >= wait
}

// wants tells whether another position of this station was due when it was heard,
// and counts it as sent.
func (p *positions) wants(m *message.Message, heard time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.due(m, heard) {
		return false
	}
	if len(p.last) >= stationsPerLink {
		clear(p.last)
	}
	p.last[m.From] = gatedPosition{*m.Where, heard}
	return true
}

// forget undoes wants for a position that could not be sent.
func (p *positions) forget(call string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.last, call)
}

// distance is in metres, exact enough to tell walking from standing.
func distance(a, b message.Where) float64 {
	const metresPerDegree = 111_320 // of latitude, mean earth radius
	dy := (a.Lat - b.Lat) * metresPerDegree
	dx := (a.Lon - b.Lon) * metresPerDegree * math.Cos(a.Lat*math.Pi/180)
	return math.Hypot(dx, dy)
}

// run sends gated positions until ctx ends.
func (p *positions) run(ctx context.Context, b *Bridge) {
	c := &carrier{b: b, ln: p.ln}
	for {
		select {
		case <-ctx.Done():
			return
		case o := <-p.next:
			m := o.Message
			if !pause(ctx, time.Until(o.heard.Add(o.wait))) || !p.wants(&m, o.heard) {
				continue
			}
			if b.control.blocked().Match(m.From) || b.stale(m.Where) || !c.Open() || rules.CheckOut(&m, b.out(p.ln, &m)) != nil {
				p.forget(m.From)
				continue
			}
			frame := link.Frame{Message: m, Part: 1, Parts: 1, Attempt: 1}
			if err := p.ln.link.Send(ctx, []link.Frame{frame})[0]; err == nil {
				b.transmitted(p.ln, &frame)
			} else {
				p.forget(m.From)
			}
		}
	}
}

// pause waits; false: ctx has ended.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	wait := time.NewTimer(d)
	defer wait.Stop()
	select {
	case <-wait.C:
		return true
	case <-ctx.Done():
		return false
	}
}
