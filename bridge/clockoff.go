package bridge

import (
	"sync"
	"time"

	"posthouse/bridge/presence"
)

// While nobody has set this gateway's clock, it may be so wrong that no time which
// others sign can be judged: then it takes nothing over from them, and refuses nothing.
// It says so, since else they would wait for it: another gateway of its mesh transmits,
// and what is for its mesh and can go by no other stays where it is. Alone on its mesh it
// serves that on.

// dates is what the times that others signed say of our own clock.
type dates struct {
	mu     sync.Mutex
	agreed time.Time // when one agreed last
	off    bool
}

// note takes in whether a time agreed, and tells whether our clock is wrong by it. As long
// as some agree, the others are wrong.
func (d *dates) note(agrees bool, now time.Time) (off bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if agrees {
		d.agreed = now
	}
	d.off = !agrees && (d.agreed.IsZero() || now.Sub(d.agreed) >= presence.Alive || d.off)
	return d.off
}

// ClockDoubt says what is wrong with the clock, and what to do; empty when it is trusted.
func (b *Bridge) ClockDoubt() string {
	doubt := b.clock.Doubt()
	if doubt != "" && b.isClosed() {
		return "it is wrong by what other gateways sign, and nothing is taken over from them until it is set; " + doubt
	}
	return doubt
}

// clockCondition is the trouble with the clock. Where others cannot reach this gateway for
// it, people hear of it sooner.
func (b *Bridge) clockCondition() condition {
	doubt := b.ClockDoubt()
	c := condition{
		key: "clock", wrong: doubt != "", after: clockAfter, over: clockOver, do: doubt,
		what: "the clock is not trusted", well: "the clock is trusted again",
	}
	if doubt != "" && b.isClosed() {
		c.after, c.what = clockOffAfter, "the clock is wrong, nothing comes in from other gateways until it is set"
	}
	return c
}

// isClosed tells whether this gateway can take nothing over from others, since its clock
// is wrong by what they sign.
func (b *Bridge) isClosed() bool {
	if _, trusted := b.clock.Wall(); trusted {
		return false
	}
	b.dates.mu.Lock()
	defer b.dates.mu.Unlock()
	return b.dates.off
}
