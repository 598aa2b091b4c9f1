package bridge

import (
	"sync"
	"time"

	"posthouse/bridge/presence"
)

// This gateway's clock may be so wrong that it cannot judge what others sign. Then it
// takes nothing over from them and refuses nothing, and announces that, so that they do
// not wait for it: another gateway of its mesh transmits, and what no other gateway can
// take stays where it is. It goes on serving a mesh that has no other gateway.

// dates is what the signing times of others say about our own clock.
type dates struct {
	mu     sync.Mutex
	agreed time.Time // when one agreed last
	off    bool
}

// note notes whether a signing time agrees with our clock, and tells whether our clock
// is off: as long as some agree, the others are wrong.
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

// clockCondition is the trouble with the clock. If it keeps other gateways from reaching
// this one the alert comes sooner.
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

// isClosed tells whether this gateway can take nothing over from others, since their
// signing times show that its clock is wrong.
func (b *Bridge) isClosed() bool {
	if _, trusted := b.clock.Wall(); trusted {
		return false
	}
	b.dates.mu.Lock()
	defer b.dates.mu.Unlock()
	return b.dates.off
}
