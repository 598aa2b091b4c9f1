package bridge_test

import (
	"testing"
	"time"
)

// A gateway whose clock is wrong says so: its sibling transmits, and once that is gone
// what is for its mesh stays where it is. What it hears itself it serves all the same.
func TestNothingWaitsForAGatewayWhoseClockIsWrong(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill, a := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		a.shut()
		a.unsure.Store(true)
		c.posts["N0QRB-10"].shut()
		a.start()
		time.Sleep(80 * time.Second) // it listens for the other first
		same(t, "transmitter while nobody has said a word of its clock", c.transmitter("valley"), "N0QRA-10")
		c.posts["N0QRB-10"].start()
		a.host(c).Dated(false)
		time.Sleep(90 * time.Second)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		hill.says(birch, alder, "1", "by the other")
		time.Sleep(30 * time.Second)
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "N0QRA-10", a.outcomes("by the other"))

		c.posts["N0QRB-10"].shut()
		time.Sleep(90 * time.Second)
		same(t, "transmitter of its own mesh", c.transmitter("valley"), "N0QRA-10")
		valley.beacon(alder)
		hill.says(birch, alder, "2", "when it is set")
		time.Sleep(time.Minute)
		same(t, "N0QRE-10", c.posts["N0QRE-10"].outcomes("when it is set"), "open:held")
		a.unsure.Store(false)
		time.Sleep(time.Minute)
		once(t, "alder", valley.told(alder), "when it is set")
		c.posts["N0QRB-10"].start()
		time.Sleep(5 * time.Minute)
		same(t, "transmitter once all is well", c.transmitter("valley"), "N0QRA-10")
		same(t, "left open", c.open())
	})
}

// The mesh link of the transmitter is down, and the only other gateway takes nothing over:
// what is for the mesh waits here, and is not offered there and taken back time and again.
func TestWhatWaitsForTheMeshIsNotOfferedToAWrongClock(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill, a, b := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		valley.beacon(alder)
		a.shut()
		a.unsure.Store(true)
		a.start()
		a.host(c).Dated(false)
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.silence(alder, true)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(time.Second)
		b.links["valley"].Down("the broker is gone")
		before := b.writes.Load()
		time.Sleep(5 * time.Minute)
		if n := b.writes.Load() - before; n > 40 {
			t.Errorf("%d writes in five minutes for a text that waits", n)
		}
		same(t, "N0QRB-10", b.outcomes("hello"), "open:later")
		b.links["valley"].Up()
		valley.silence(alder, false)
		time.Sleep(20 * time.Minute)
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "left open", c.open())
	})
}

// The other gateway of the mesh is of a version that names nobody in its presence and
// knows nothing of wrong clocks: nothing that it signs can be proven. Then both transmit,
// as when they are cut off from each other: what both hear goes twice, and nothing is lost.
func TestClockIsWrongBesideAnOldVersion(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley mail", "N0QRB-10 valley mail", "N0QRE-10 hill"}, func(t *testing.T, c *country) {
		valley, hill, a := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		hill.beacon(birch)
		a.shut()
		a.unsure.Store(true)
		c.wire.spoil(func() {
			c.wire.lose = func(to string, e *event) bool {
				e.say.Unproven, e.say.Closed = to == "N0QRA-10", e.from == "N0QRA-10" && to == "N0QRE-10"
				return to == "N0QRA-10" && e.kind != "presence"
			}
		})
		time.Sleep(2 * time.Minute)
		a.start()
		a.host(c).Dated(false)
		time.Sleep(3 * time.Minute)
		same(t, "transmitters", c.transmitter("valley"), "N0QRA-10", "N0QRB-10")
		valley.says(alder, birch, "1", "to the hill")
		hill.says(birch, alder, "1", "to the valley")
		valley.says(alder, "ann@club.example", "2", "to ann")
		time.Sleep(10 * time.Minute)
		if n := count(c.mails(), "to ann"); n != 2 {
			t.Errorf("%d mails, want one of each gateway", n)
		}
		same(t, "birch", hill.told(birch), "text N0QRC-7>N0QRD-9 to the hill", "receipt N0QRC-7>N0QRD-9 1")
		if told := valley.told(alder); count(told, "to the valley") != 1 || count(told, "receipt N0QRD-9") != 1 || count(told, "not ") != 0 {
			t.Errorf("alder was told %q", told)
		}
		c.wire.spoil(func() { c.wire.lose = nil })
		a.unsure.Store(false)
		time.Sleep(10 * time.Minute)
		if n := len(c.transmitter("valley")); n != 1 {
			t.Errorf("%d transmit once all is well", n)
		}
		if n := count(hill.told(birch), "to the hill"); n != 1 {
			t.Errorf("birch was told %q", hill.told(birch))
		}
		same(t, "left open", c.open())
	})
}

// A clock that was steady for ten minutes counts as right though nobody has set it. What
// others sign later than it says shows that it is not, until one of them agrees with it.
func TestASteadyClockIsRightUntilOthersSayOtherwise(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		a := c.posts["N0QRA-10"]
		a.shut()
		a.unsure.Store(true)
		a.start()
		time.Sleep(11 * time.Minute)
		host := a.host(c)
		trusted := func(want bool) {
			t.Helper()
			if doubt := a.bridge.ClockDoubt(); (doubt == "") != want {
				t.Errorf("trusted is to be %v: %q", want, doubt)
			}
		}
		trusted(true)
		host.Dated(true)
		host.Dated(false) // of two that differ one agrees
		trusted(true)
		time.Sleep(2 * time.Minute)
		host.Dated(false)
		trusted(false)
		host.Dated(true)
		trusted(true)
		a.unsure.Store(false)
		time.Sleep(2 * time.Minute)
		trusted(true)
		host.Dated(false)
		trusted(true) // by its time server
		a.unsure.Store(true)
		time.Sleep(2 * time.Minute)
		trusted(true)
	})
}
