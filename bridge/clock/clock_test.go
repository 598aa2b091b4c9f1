package clock

import (
	"testing"
	"time"
)

// computer is what a clock runs on: the wall clock may be wrong, and is
// synchronised or not.
type computer struct {
	real, start time.Duration
	wrong       time.Duration
	synced      bool
	clock       *Clock
}

func (c *computer) boot(saved Saved) {
	epoch := time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)
	c.start = c.real
	c.clock = NewFrom(saved, func() (time.Time, time.Duration) { return epoch.Add(c.real + c.wrong), c.real - c.start }, func() bool { return c.synced })
}

func wantAge(t *testing.T, name string, got Age, want time.Duration) {
	t.Helper()
	if got != Age(0).Add(want) {
		t.Errorf("%s: %v, want %v", name, got.Sub(0), want)
	}
}

func TestTimeOffCounts(t *testing.T) {
	c := &computer{synced: true}
	c.boot(Saved{})
	c.real += time.Hour
	saved := c.clock.Save()
	c.real += 3 * time.Hour // off
	c.boot(saved)
	wantAge(t, "age", c.clock.Age(), 4*time.Hour)
}

// A clock that nobody has synchronised counts as right once it was steady. It
// may be years behind all the same, and that is no time off.
func TestTimeOffOfASteadyClockDoesNotCount(t *testing.T) {
	c := &computer{wrong: -30 * 24 * time.Hour}
	c.boot(Saved{})
	c.real += time.Hour
	if _, trusted := c.clock.Wall(); !trusted {
		t.Fatal("an hour without a jump, and not trusted")
	}
	saved := c.clock.Save()
	c.real += time.Second
	c.wrong, c.synced = 0, true
	c.boot(saved)
	wantAge(t, "age", c.clock.Age(), time.Hour)
}

// Whoever sets the clock by less than a jump does not lengthen the time off.
func TestTimeOffGoesByTheSynchronisedClock(t *testing.T) {
	c := &computer{synced: true}
	c.boot(Saved{})
	c.clock.Age()
	c.real += time.Minute
	c.wrong, c.synced = -59*time.Minute, false
	saved := c.clock.Save()
	c.real += time.Second
	c.wrong, c.synced = 0, true
	c.boot(saved)
	wantAge(t, "age", c.clock.Age(), time.Minute+time.Second)
}

// What becomes known late of the time off does not count: what was sent or heard
// meanwhile would be older than it is.
func TestAgeNeverLeaps(t *testing.T) {
	c := &computer{synced: true}
	c.boot(Saved{})
	c.real += time.Minute
	saved := c.clock.Save()
	c.real += 3 * time.Hour
	c.synced = false
	c.boot(saved)
	c.real += time.Minute
	wantAge(t, "before the clock is known", c.clock.Age(), 2*time.Minute)
	c.synced = true
	c.real += time.Minute
	wantAge(t, "after", c.clock.Age(), 3*time.Minute)
	c.boot(c.clock.Save())
	wantAge(t, "after a restart", c.clock.Age(), 3*time.Minute)
}

// Nobody synchronises the clock of this site, and once it was years ahead for long enough
// to be believed. Whoever sets it while the gateway runs has it believed again; a clock
// that wakes up in the past is set by nobody.
func TestSettingTheClockOutweighsWhatWasOnceBelieved(t *testing.T) {
	for _, row := range []struct {
		name              string
		synced, set, want bool
	}{
		{"steady years ahead, and set since", false, true, true},
		{"steady years ahead, and nobody has set it", false, false, false},
		{"synchronised later than it stands", true, true, false},
	} {
		c := &computer{wrong: 70 * 365 * 24 * time.Hour, synced: row.synced}
		c.boot(Saved{})
		c.real += time.Hour
		c.clock.Age()
		saved := c.clock.Save()
		c.wrong, c.synced = 0, false
		if row.set {
			c.wrong = -3 * time.Hour
		}
		c.boot(saved)
		if c.clock.Doubt() == "" {
			t.Errorf("%s: believed at once", row.name)
		}
		c.wrong = 0
		c.clock.Age()
		c.real += 11 * time.Minute
		if _, trusted := c.clock.Wall(); trusted != row.want || (c.clock.Doubt() == "") != row.want {
			t.Errorf("%s: trusted %v; %q", row.name, trusted, c.clock.Doubt())
		}
	}
}

// A run in which nobody knew the time forgets nothing of what the last one knew. It was
// off before: that does not count after the next start, either.
func TestARunWithoutATimeRemembersTheLast(t *testing.T) {
	c := &computer{synced: true}
	c.boot(Saved{})
	c.real += time.Hour
	saved := c.clock.Save()
	c.real += 3 * time.Hour
	c.wrong, c.synced = -30*24*time.Hour, false
	for range 2 {
		c.boot(saved)
		c.real += time.Hour
		if _, trusted := c.clock.Wall(); trusted {
			t.Fatal("an hour without a jump, but before what was synchronised, and trusted")
		}
		saved = c.clock.Save()
	}
	c.wrong, c.synced = 0, true
	c.boot(saved)
	wantAge(t, "age", c.clock.Age(), 3*time.Hour)
}
