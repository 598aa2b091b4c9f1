package airtime

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// gateway plays a gateway that sends all it may, loses power now and then, and
// whose clock is set, forward and back, or wrong from the start. Real time is what
// an observer's watch shows; the gateway knows only its age.
type gateway struct {
	t      *rapid.T
	limits Limits
	budget *Budget
	real   time.Duration
	start  time.Duration // real time of the last start

	clock  *clock.Clock
	wrong  time.Duration // how far the wall clock is ahead
	synced bool          // the kernel says that it is right: then it is

	// On disk.
	airtime []byte
	saved   clock.Saved

	sent []sending
}

type sending struct {
	at           time.Duration
	own, channel time.Duration
	r            Request
}

func (g *gateway) now() clock.Age { return g.clock.Age() }

func (g *gateway) boot() {
	b, err := New(g.limits)
	if err != nil {
		g.t.Fatal(err)
	}
	if err := b.Load(g.airtime); err != nil {
		g.t.Fatal(err)
	}
	g.budget, g.start = b, g.real
	epoch := time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)
	read := func() (time.Time, time.Duration) { return epoch.Add(g.real + g.wrong), g.real - g.start }
	g.clock = clock.NewFrom(g.saved, read, func() bool { return g.synced })
}

// crash loses what is in memory. What the wall clock shows after the time off is
// what it was set to, or stood still without a battery.
func (g *gateway) crash() {
	off := rapid.SampledFrom([]time.Duration{0, time.Second, time.Minute, 20 * time.Minute, 50 * time.Minute}).Draw(g.t, "off")
	g.real += off
	if rapid.Bool().Draw(g.t, "stood still") {
		g.wrong, g.synced = g.wrong-off, g.synced && off == 0
	}
	g.boot()
	g.saveAge()
}

func (g *gateway) saveAge() { g.saved = g.clock.Save() }

// setClock sets the wall clock, or has the network do it.
func (g *gateway) setClock() {
	switch rapid.SampledFrom([]string{"right", "alone", "forward", "back"}).Draw(g.t, "clock") {
	case "right":
		g.wrong, g.synced = 0, true
	case "alone": // nobody says any more that it is right
		g.synced = false
	case "forward":
		g.wrong, g.synced = g.wrong+g.someTime(), false
	case "back":
		g.wrong, g.synced = g.wrong-g.someTime(), false
	}
}

func (g *gateway) someTime() time.Duration {
	return rapid.SampledFrom([]time.Duration{time.Minute, 59 * time.Minute, 3 * time.Hour, 30 * 24 * time.Hour, 73 * 365 * 24 * time.Hour}).Draw(g.t, "by")
}

// try sends a frame if it may go, and sometimes dies over it.
func (g *gateway) try(r Request) {
	wait, why := g.budget.Wait(g.now(), r)
	if (wait == 0) != (why == Go) {
		g.t.Fatalf("wait %v with reason %q", wait, why)
	}
	if wait > 0 && wait < 30*time.Minute && rapid.Bool().Draw(g.t, "wait for it") {
		g.real += wait
		if again, why := g.budget.Wait(g.now(), r); again != 0 {
			g.t.Fatalf("waited %v, and now %v more for %q", wait, again, why)
		}
		wait = 0
	}
	if wait > 0 {
		return
	}
	fate := rapid.SampledFrom([]string{"", "", "", "", "", "", "no commit", "crash before commit", "crash after commit", "crash after sending"}).Draw(g.t, "fate")
	committed := false
	err := g.budget.Spend(g.now(), r, func(b []byte) error {
		switch fate {
		case "no commit", "crash before commit":
			return errors.New("disk error")
		}
		g.airtime, committed = append([]byte(nil), b...), true
		return nil
	})
	switch {
	case err != nil && fate == "crash before commit", committed && fate == "crash after commit":
		g.crash()
		return
	case err != nil:
		return
	}
	g.sent = append(g.sent, sending{g.real, r.Cost, r.Cost * time.Duration(g.limits.Repeats), r})
	if fate == "crash after sending" {
		g.crash()
	}
}

// hourOf is a percentage of an hour, counted apart from the code under test.
func hourOf(percent float64) time.Duration { return time.Duration(percent * float64(36*time.Second)) }

// check looks at every sliding hour. Each frame is on the channel from its start
// for the time of all its repeats.
func (g *gateway) check() {
	for _, s := range g.sent {
		// An hour is fullest when it begins with a frame or ends with one.
		g.checkHour(s.at)
		g.checkHour(s.at + s.channel - time.Hour)
		g.checkHour(s.at + s.own - time.Hour)
	}
	for i, s := range g.sent {
		if s.r.Precedence == message.Emergency {
			continue
		}
		var total time.Duration
		for _, before := range g.sent[:i+1] {
			total += overlap(before.at, before.channel, s.at+s.channel-time.Hour)
		}
		if total > hourOf(g.limits.Airtime) {
			g.t.Fatalf("an ordinary frame went at %v into an hour with %v of %v", s.at, total, hourOf(g.limits.Airtime))
		}
	}
}

func (g *gateway) checkHour(from time.Duration) {
	var own, ordinary time.Duration
	senders, frames := map[string]time.Duration{}, map[string]int{}
	for _, s := range g.sent {
		on := overlap(s.at, s.channel, from)
		own += overlap(s.at, s.own, from)
		if on == 0 || s.r.Precedence == message.Emergency {
			continue
		}
		ordinary += on
		name := s.r.Sender
		if s.r.Notice {
			name = "notices"
		}
		senders[name] += on
		frames[name]++
	}
	if most := hourOf(g.limits.Duty); most > 0 && own > most {
		g.t.Fatalf("the hour from %v has %v of our own, %v are allowed", from, own, most)
	}
	if most := hourOf(g.limits.Airtime * (100 - g.limits.Reserve) / 100); ordinary > most {
		g.t.Fatalf("the hour from %v has %v without emergencies, %v are allowed", from, ordinary, most)
	}
	for name, used := range senders {
		most := hourOf(g.limits.Airtime) / 4
		if name == "notices" {
			most = hourOf(g.limits.Airtime) / 20
		}
		if used > most && frames[name] > 1 {
			g.t.Fatalf("the hour from %v has %v of %s, %v are allowed", from, used, name, most)
		}
	}
}

// overlap is how much of a frame lies in the hour from a time on.
func overlap(at, length, hour time.Duration) time.Duration {
	return max(0, min(at+length, hour+time.Hour)-max(at, hour))
}

func TestNoSlidingHourIsOverBudget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := &gateway{t: t, limits: Limits{
			Airtime: rapid.SampledFrom([]float64{1, 10, 100}).Draw(t, "airtime"),
			Reserve: rapid.SampledFrom([]float64{0, 20, 90}).Draw(t, "reserve"),
			Duty:    rapid.SampledFrom([]float64{0, 1, 10}).Draw(t, "duty"),
			Repeats: rapid.IntRange(1, 4).Draw(t, "repeats"),
		}}
		g.boot()
		costs := rapid.SampledFrom([]time.Duration{50 * time.Millisecond, time.Second, 11042816 * time.Microsecond}).Draw(t, "cost")
		request := rapid.Custom(func(t *rapid.T) Request {
			return Request{
				Cost:       costs * time.Duration(rapid.IntRange(1, 9).Draw(t, "size")) / 3,
				Precedence: rapid.SampledFrom(message.Precedences[:]).Draw(t, "precedence"),
				Sender:     fmt.Sprintf("N0QR%c", 'A'+rapid.IntRange(0, 20).Draw(t, "sender")),
				Notice:     rapid.IntRange(0, 9).Draw(t, "notice") == 0,
				Waited:     rapid.SampledFrom([]time.Duration{0, 3 * time.Hour}).Draw(t, "waited"),
			}
		})
		for range rapid.IntRange(1, 150).Draw(t, "steps") {
			g.real += rapid.SampledFrom([]time.Duration{time.Millisecond, time.Millisecond, time.Second, 9 * time.Second, time.Minute, 13 * time.Minute}).Draw(t, "pause")
			switch rapid.IntRange(0, 19).Draw(t, "what") {
			case 0:
				g.crash()
			case 1, 2:
				g.saveAge()
			case 4, 5:
				g.setClock()
			case 3: // a proper stop
				g.airtime = g.budget.Save()
				g.saveAge()
				g.crash()
			default:
				r := request.Draw(t, "request")
				if r.Notice {
					r.Precedence = message.Routine
				}
				for range rapid.IntRange(1, 8).Draw(t, "burst") {
					g.try(r)
				}
			}
		}
		g.check()
	})
}
