package simulation

import (
	"context"
	"errors"
	"fmt"
	"time"

	"posthouse/queue"
)

// remote has a gateway's store lie beyond a network, as queue/etcdstore keeps it:
// one committer writes, a call that it has not begun is withdrawn after a while,
// and of one that it has begun its caller may learn only that nobody knows. That
// one is settled before anything else is written: it has taken effect, and is then
// seen, or it never will. Lazy ops are kept until they are written.
type remote struct {
	d    *disk
	busy chan struct{} // holds a word while the committer has a call in hand

	lazy chan []queue.Op // in order, not written yet
}

// How long a caller waits for what is not begun, and further for what is: as in
// queue/etcdstore.
const (
	patience = 8 * time.Second
	grace    = 2 * time.Second
	// mayBeSplit is how many ops may take several steps (queue.Store).
	mayBeSplit = 30
)

var errAway = errors.New("the store does not answer")

func newRemote(d *disk) *remote {
	r := &remote{d: d, busy: make(chan struct{}, 1), lazy: make(chan []queue.Op, 100000)}
	return r
}

// away is how long nobody can reach the store; 0: it is there.
func (r *remote) away() time.Duration {
	g := r.d.g
	g.mu.Lock()
	defer g.mu.Unlock()
	return max(0, time.Until(g.until[storeAway]))
}

// storeAway is the trouble of a store beyond a network.
const storeAway = "store"

func (r *remote) apply(ctx context.Context, ops []queue.Op) ([]queue.Done, error) {
	if len(ops) == 0 {
		return nil, nil
	}
	if ops[0].Lazy {
		if r.away() == 0 && len(r.lazy) == 0 {
			return r.d.Store.Apply(ctx, ops...)
		}
		r.lazy <- ops
		return make([]queue.Done, len(ops)), nil
	}
	begun := time.Now()
	select {
	case r.busy <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(patience):
		return nil, errAway
	}
	left := patience + grace - time.Since(begun)
	if away := r.away(); away > left {
		return r.uncertain(ctx, ops, left, away)
	} else if away > 0 {
		time.Sleep(away)
	}
	defer func() { <-r.busy }()
	r.writeLazy(ctx)
	return r.d.Store.Apply(ctx, ops...)
}

// uncertain gives a caller up of whom nobody knows whether he has written: all of
// it, the first of much, or nothing. The committer goes on once that is known.
func (r *remote) uncertain(ctx context.Context, ops []queue.Op, left, away time.Duration) ([]queue.Done, error) {
	landed := len(ops)
	switch roll := r.d.g.w.chance.below(4, "landed", r.d.g.call, fmt.Sprint(ops[0].Seq)); {
	case roll < 2:
		landed = 0
	case roll == 2 && len(ops) > mayBeSplit:
		landed /= 2
	}
	time.AfterFunc(away, func() {
		defer func() { <-r.busy }()
		r.writeLazy(context.WithoutCancel(ctx))
		if landed > 0 {
			_, _ = r.d.Store.Apply(context.WithoutCancel(ctx), ops[:landed]...) // its caller has gone
		}
	})
	time.Sleep(left)
	return nil, fmt.Errorf("%w: %w", queue.ErrUncertain, errAway)
}

// writeLazy writes what waited for the store to be there again.
func (r *remote) writeLazy(ctx context.Context) {
	for {
		select {
		case ops := <-r.lazy:
			_, _ = r.d.Store.Apply(ctx, ops...) // closed: they are lost, as in a crash
		default:
			return
		}
	}
}

// spoilStores lets the stores of some worlds lie beyond a network, and be away from
// time to time. It draws from a stream of its own: the other worlds stay as they are.
func (p *plan) spoilStores() {
	p.remote = p.seed%4 == 0
	if !p.remote {
		return
	}
	for range 2 + p.more.IntN(3) {
		g := p.gateways[p.more.IntN(len(p.gateways))].call
		at := settle + time.Duration(p.more.Int64N(int64(p.end-settle-time.Minute)))
		away := time.Second + time.Duration(p.more.Int64N(int64(90*time.Second)))
		p.happens(at, func(w *world) { w.gateway(g).loseStore(away) }, "the store of %s is away for %v", g, away)
	}
}

// loseStore takes a gateway's store away for a time. What waits lazily is written
// when it is there again.
func (g *gateway) loseStore(away time.Duration) {
	g.trouble(storeAway, away)
	l := g.alive()
	if l == nil {
		return
	}
	time.Sleep(away + time.Millisecond)
	r := l.disk.remote
	select {
	case r.busy <- struct{}{}:
		r.writeLazy(context.Background())
		<-r.busy
	default: // whoever has it in hand does so
	}
}
