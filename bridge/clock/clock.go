// Package clock tells two times apart. Age is the time that the gateway has
// lived through: it only grows, survives restarts, and no setting of the clock
// moves it, so everything that is due or expires goes by Age. Wall is what a
// person reads, and comes with the word whether it may be trusted: a small
// computer without a battery wakes up in the past.
package clock

import (
	"sync"
	"time"
)

// Age is milliseconds of the gateway's life since its store was made. Between
// two runs it grows by the time off only when the clock was trusted on both
// sides of the gap, so it is a lower bound of what really passed. Within a run it
// never jumps: what came in before the clock was set would be older than it is.
type Age int64

// Add gives the age d later.
func (a Age) Add(d time.Duration) Age { return a + Age(d/time.Millisecond) }

// Sub gives the time from b to a.
func (a Age) Sub(b Age) time.Duration { return time.Duration(a-b) * time.Millisecond }

// Saved is what the store keeps over a restart.
type Saved struct {
	Age     Age       `cbor:"1,keyasint"`
	Wall    time.Time `cbor:"2,keyasint"` // trusted time at Age; zero: never known
	Trusted bool      `cbor:"3,keyasint"`
}

const (
	// A wall clock that left the monotonic expectation by more than this has jumped.
	jump = time.Hour
	// A clock that nobody synchronises counts as right once it ran this long without a jump.
	steady = 10 * time.Minute
	// Time off longer than this is not believed, whatever the clock says.
	longestOff = 400 * 24 * time.Hour
)

// Clock is safe for concurrent use.
type Clock struct {
	mu       sync.Mutex
	now      func() time.Time
	synced   func() bool
	start    time.Time // monotonic base of age
	base     Age       // age at start
	saved    time.Time // trusted time of the last run; zero: never known
	known    time.Time // last trusted wall time, with its monotonic reading; zero: none
	seen     time.Time // wall and monotonic reading when the present steadiness began
	lastSync time.Time // when the kernel was last asked
	isSynced bool
}

// New starts a clock that goes on from saved. synced asks the kernel whether
// the time is synchronised; now is time.Now outside tests.
func New(saved Saved, now func() time.Time, synced func() bool) *Clock {
	t := now()
	c := &Clock{now: now, synced: synced, start: t, base: saved.Age, saved: saved.Wall, seen: t}
	if c.look() && c.isSynced && saved.Trusted {
		c.addTimeOff(t)
	}
	return c
}

// Age gives the present age.
func (c *Clock) Age() Age {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look()
	return c.age(c.now())
}

// Advance brings the age up to one that another process of the same gateway has
// come to. It never turns it back.
func (c *Clock) Advance(to Age) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.base += max(to-c.age(c.now()), 0)
}

// Wall gives the time of day in UTC and whether it is trusted. While the wall
// clock has jumped, a trusted time goes on by monotonic expectation.
func (c *Clock) Wall() (time.Time, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	trusted := c.look()
	t := c.now()
	if !trusted && !c.known.IsZero() {
		return c.known.Round(0).Add(t.Sub(c.known)).UTC(), true
	}
	return t.Round(0).UTC(), trusted
}

// Save gives what the store should keep.
func (c *Clock) Save() Saved {
	wall, trusted := c.Wall()
	c.mu.Lock()
	defer c.mu.Unlock()
	s := Saved{Age: c.age(c.now()), Trusted: trusted}
	if trusted {
		s.Wall = wall
	}
	return s
}

func (c *Clock) age(t time.Time) Age { return c.base.Add(t.Sub(c.start)) }

// look judges the wall clock and tells whether it may be trusted right now.
func (c *Clock) look() bool {
	t := c.now()
	if c.lastSync.IsZero() || t.Sub(c.lastSync) >= time.Second {
		c.lastSync, c.isSynced = t, c.synced()
	}
	// Sub uses the monotonic readings, Round(0) strips them: their difference is
	// how far the wall clock was moved in between.
	moved := func(since time.Time) time.Duration {
		return (t.Round(0).Sub(since.Round(0)) - t.Sub(since)).Abs()
	}
	if moved(c.seen) > jump {
		c.seen = t
	}
	switch {
	case c.isSynced:
	case !c.known.IsZero() && moved(c.known) <= jump:
	case t.Sub(c.seen) >= steady && t.Round(0).After(c.saved):
	default:
		return false
	}
	c.known = t
	return true
}

// addTimeOff adds the time since the last run to the age.
func (c *Clock) addTimeOff(t time.Time) {
	off := t.Round(0).Sub(c.saved)
	if !c.saved.IsZero() && off > 0 && off < longestOff {
		c.base = c.base.Add(off)
	}
}

// System is the clock of this computer.
func System(saved Saved) *Clock { return New(saved, time.Now, synchronised) }
