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

// note takes in whether a time agreed. As long as some do, the others are wrong.
func (d *dates) note(agrees bool, now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if agrees {
		d.agreed = now
	}
	d.off = !agrees && (d.agreed.IsZero() || now.Sub(d.agreed) >= presence.Alive || d.off)
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
