// Package clock has two kinds of time. Age is the time that the gateway has lived
// through: it only grows, survives restarts, and setting the clock does not change it,
// so everything that is due or expires goes by Age. Wall is the time of day for people,
// and says whether it is trusted: a small computer without a battery starts in the past.
package clock

import (
	"sync"
	"time"
)

// Age is milliseconds of the gateway's life since its store was made. It grows by the
// time between two runs only if the clock was synchronised before and after, so it is a
// lower bound of the real time. Within a run it never jumps, or what came in before the
// clock was set would seem older than it is.
type Age int64

// Add gives the age d later.
func (a Age) Add(d time.Duration) Age { return a + Age(d/time.Millisecond) }

// Sub gives the time from b to a.
func (a Age) Sub(b Age) time.Duration { return time.Duration(a-b) * time.Millisecond }

// Saved is what the store keeps over a restart.
type Saved struct {
	Age     Age       `cbor:"1,keyasint"`
	Wall    time.Time `cbor:"2,keyasint"` // trusted time, or the earliest that it can be; zero: never known
	Trusted bool      `cbor:"3,keyasint"` // Wall is the time at Age
	Synced  bool      `cbor:"4,keyasint"` // Wall goes by a synchronised clock, not by one that was only steady
}

const (
	// A wall clock that differs from monotonic time by more than this has jumped.
	jump = time.Hour
	// A clock that is not synchronised is trusted once it ran this long without a jump.
	steady = 10 * time.Minute
	// A longer time between two runs is not believed.
	longestOff = 400 * 24 * time.Hour
)

// Clock is safe for concurrent use.
type Clock struct {
	mu       sync.Mutex
	read     func() (wall time.Time, ran time.Duration)
	synced   func() bool
	base     Age       // age at the start
	saved    time.Time // trusted time of the last run; zero: never known
	certain  bool      // saved is from a synchronised clock: an earlier time is wrong
	set      bool      // somebody has set the clock during this run
	denied   bool      // others have shown that a clock that is only steady is wrong
	known    instant   // the last trusted one; zero: none
	right    instant   // the last one at which the kernel was synchronised; zero: none
	seen     instant   // since when the clock has been steady
	asked    instant   // when the kernel was last asked; zero: never
	isSynced bool
}

// instant is a reading of the wall clock and of the time since the start, which
// no setting moves.
type instant struct {
	wall time.Time
	ran  time.Duration
}

func (i instant) isZero() bool { return i.wall.IsZero() }

// after is what the wall clock should show after running for so long.
func (i instant) after(ran time.Duration) time.Time { return i.wall.Add(ran - i.ran) }

// moved is how far the wall clock was set between two instants.
func (i instant) moved(since instant) time.Duration { return i.wall.Sub(since.after(i.ran)).Abs() }

// New starts a clock that continues from saved. synced asks the kernel whether the time
// is synchronised; now is time.Now outside tests.
func New(saved Saved, now func() time.Time, synced func() bool) *Clock {
	start := now()
	// Sub uses the monotonic readings, Round(0) strips them.
	return NewFrom(saved, func() (time.Time, time.Duration) { t := now(); return t.Round(0), t.Sub(start) }, synced)
}

// NewFrom is New with separate readings of the wall clock and the time since the start.
func NewFrom(saved Saved, read func() (wall time.Time, ran time.Duration), synced func() bool) *Clock {
	c := &Clock{read: read, synced: synced, base: saved.Age, saved: saved.Wall, certain: saved.Synced}
	c.seen = c.now()
	if c.look() && c.isSynced && saved.Synced && saved.Trusted {
		c.addTimeOff(c.seen)
	}
	return c
}

func (c *Clock) now() instant {
	wall, ran := c.read()
	return instant{wall, ran}
}

// Age returns the present age.
func (c *Clock) Age() Age {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look()
	return c.age(c.now())
}

// Advance moves the age forward to that of another process of the same gateway. It never
// moves it back.
func (c *Clock) Advance(to Age) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.base += max(to-c.age(c.now()), 0)
}

// Wall returns the time of day in UTC and whether it is trusted. After a jump of the wall
// clock the last trusted time continues by monotonic time.
func (c *Clock) Wall() (time.Time, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	trusted := c.look()
	t := c.now()
	if !trusted && !c.known.isZero() {
		return c.known.after(t.ran).UTC(), true
	}
	return t.wall.UTC(), trusted
}

// Save returns what the store should keep.
func (c *Clock) Save() Saved {
	wall, trusted := c.Wall()
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.now()
	s := Saved{Age: c.age(t), Trusted: trusted}
	switch {
	case !c.right.isZero(): // whatever the wall clock was set to since
		s.Wall, s.Synced = c.right.after(t.ran).UTC(), true
	case trusted:
		s.Wall = wall
	case !c.saved.IsZero():
		s.Wall, s.Synced = c.saved.Add(t.ran), c.certain
	}
	return s
}

func (c *Clock) age(t instant) Age { return c.base.Add(t.ran) }

// look judges the wall clock and tells whether it may be trusted right now.
func (c *Clock) look() bool {
	t := c.now()
	if c.asked.isZero() || t.ran-c.asked.ran >= time.Second || t.moved(c.asked) >= time.Second {
		c.asked, c.isSynced = t, c.synced()
	}
	if t.moved(c.seen) > jump {
		c.seen, c.set = t, true
	}
	switch {
	case c.isSynced:
		c.right = t
	case c.denied && c.right.isZero():
		c.known = instant{}
		return false
	case !c.known.isZero() && t.moved(c.known) <= jump:
	case t.ran-c.seen.ran >= steady && !c.isBehind(t):
	default:
		return false
	}
	c.known = t
	return true
}

// isBehind tells whether the clock is before the trusted time of the last run, as that of a
// small computer without a battery is after a start. If that time was not synchronised it
// may itself have been years ahead: then setting the clock during this run counts more.
func (c *Clock) isBehind(t instant) bool {
	return !t.wall.After(c.saved) && (c.certain || !c.set)
}

// Deny stops trusting a clock that was not synchronised in this run, however steady, or
// ends that: what others sign shows that it is wrong.
func (c *Clock) Deny(wrong bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.denied = wrong
}

// Doubt says why the clock is not trusted, and what to do; empty: it is.
func (c *Clock) Doubt() string {
	if _, trusted := c.Wall(); trusted {
		return ""
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case !c.isBehind(c.now()):
		return "it is not synchronised: give this computer a time server, or set it right and wait ten minutes"
	case c.certain:
		return "it stands before " + c.saved.UTC().Format(time.DateOnly) + ", when it was synchronised: give this computer a time server, or set it right and wait ten minutes"
	}
	return "it stands before " + c.saved.UTC().Format(time.DateOnly) + ", which the last run trusted: set it right; if it is right, see README.md, \"The clock is right and not trusted\""
}

// addTimeOff adds the time since the last run to the age, if the clock is synchronised now
// and was when it was saved. One that was only steady may have been wrong by years, and
// what was sent a minute ago would seem long past.
func (c *Clock) addTimeOff(t instant) {
	off := t.wall.Sub(c.saved)
	if !c.saved.IsZero() && off > 0 && off < longestOff {
		c.base = c.base.Add(off)
	}
}

// System is the clock of this computer.
func System(saved Saved) *Clock { return New(saved, time.Now, synchronised) }
