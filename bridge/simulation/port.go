package simulation

import (
	"context"
	"errors"
	"sync"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// port is a gateway's link to a mesh, to mail or to APRS, for one life of the
// gateway. Behind it is a broker that keeps what the gateway has not confirmed.
type port struct {
	l     *life
	cfg   config.Link
	props link.Properties
	out   func(f link.Frame) error // gives a frame to the other side

	mu   sync.Mutex
	ctx  context.Context
	host link.Host // nil while it does not run
	down bool
	busy sync.WaitGroup
}

// properties are what the real adapters say of their media.
func properties(l *config.Link) link.Properties {
	switch {
	case l.Mesh != nil:
		return link.Properties{
			Medium: fit.Medium{MaxBytes: l.Mesh.MaxBytes, MaxParts: l.Mesh.MaxParts}, Acks: true, Radio: true,
			AckWait: l.Mesh.AckWait, Resends: l.Mesh.Resends, Batch: 64, Parallel: 1, InOrder: true,
		}
	case l.APRS != nil:
		return link.Properties{
			Medium: fit.APRS(l.APRS.MaxParts), Acks: true, AckWait: l.APRS.AckWait, Resends: l.APRS.Resends,
			OnePerAddressee: true, Batch: 1, Parallel: 1, Positions: l.APRS.Positions,
		}
	}
	return link.Properties{Final: true, Batch: 1, Parallel: 4}
}

// Properties implements link.Link.
func (p *port) Properties() link.Properties { return p.props }

// Run implements link.Link.
func (p *port) Run(ctx context.Context, host link.Host) error {
	p.mu.Lock()
	p.ctx, p.host = ctx, host
	down := p.down
	p.mu.Unlock()
	p.l.g.w.turns.take("open", p.l.g.call, p.cfg.Name)
	host.State(!down, "")
	if !down {
		p.again()
	}
	<-ctx.Done()
	p.mu.Lock()
	p.host = nil
	p.mu.Unlock()
	p.busy.Wait()
	return ctx.Err()
}

// Send implements link.Link.
func (p *port) Send(ctx context.Context, frames []link.Frame) []error {
	p.l.g.w.turns.take("send", p.l.g.call, p.cfg.Name, frames[0].ID, frames[0].Text)
	return link.OneByOne(frames, func(f link.Frame) error {
		p.mu.Lock()
		down := p.down || p.host == nil
		p.mu.Unlock()
		switch {
		case p.l.dark.Load():
			return errOff
		case down:
			return link.ErrDown
		case ctx.Err() != nil:
			return ctx.Err()
		}
		return p.out(f)
	})
}

// sever takes the broker away, or brings it back.
func (p *port) sever(down bool) {
	p.mu.Lock()
	changed := p.down != down
	p.down = down
	host := p.host
	p.mu.Unlock()
	if host == nil || !changed {
		return
	}
	host.State(!down, "the broker")
	if !down {
		p.again()
	}
}

// begin takes hold of the host for one message.
func (p *port) begin() (link.Host, context.Context) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.down || p.host == nil || p.l.dark.Load() {
		return nil, nil
	}
	p.busy.Add(1)
	return p.host, p.ctx
}

// again has the broker give once more what was not confirmed.
func (p *port) again() {
	g, name := p.l.g, p.cfg.Name
	g.mu.Lock()
	box := g.boxes[name]
	delete(g.boxes, name)
	g.mu.Unlock()
	for i, m := range box {
		g.w.after(time.Duration(i+1)*50*time.Millisecond, func() { g.hear(name, m) }, "again", g.call, name, m.From, m.Text, m.Acks)
	}
}

// boxSize bounds what a broker keeps for a gateway that is away.
const boxSize = 1000

// hear gives a gateway what came in on a link. What it does not confirm is kept
// for when it is there again; beacons are not.
func (g *gateway) hear(name string, m message.Message) {
	l := g.alive()
	if l == nil {
		g.keep(name, m)
		return
	}
	p := l.ports[name]
	host, ctx := p.begin()
	if host == nil {
		g.keep(name, m)
		return
	}
	defer p.busy.Done()
	verdicts, err := host.Accept(ctx, m)
	switch {
	case l.dark.Load():
		g.keep(name, m)
	case err != nil:
		g.keep(name, m)
		if m.Kind == message.Receipt && errors.Is(err, queue.ErrFull) {
			g.w.ledger.complain("invariant 1: %s, whose store is full, did not take what frees it: %s", g.call, words(&m))
		}
		if ctx.Err() == nil { // the adapter reconnects, and gets it again
			g.w.after(2*time.Second, func() { p.sever(true); p.sever(false) }, "reconnect", g.call, name)
		}
	default:
		if m.Kind == message.Receipt && verdicts[0].Code == link.CodeFull {
			g.w.ledger.complain("invariant 1: %s, whose store is full, refused what frees it: %s", g.call, words(&m))
		}
		g.w.ledger.answered(g.call, name, &m, verdicts[0])
	}
}

func (g *gateway) keep(name string, m message.Message) {
	if m.Kind == message.Beacon {
		g.w.ledger.note(entry{what: missed, gateway: g.call, station: m.From})
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.boxes[name]) < boxSize {
		g.boxes[name] = append(g.boxes[name], m)
	}
}
