package bridge_test

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func TestTransmitterKilledAfterCustodyAndBackAsNonTransmitterHandsOver(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		valley.silence(alder, true)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(5 * time.Second)
		same(t, "N0QRE-10", c.posts["N0QRE-10"].outcomes("hello"), "open:passed")
		c.posts["N0QRA-10"].shut()
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.silence(alder, false)
		c.posts["N0QRA-10"].start()
		time.Sleep(15 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		for _, call := range c.calls() {
			same(t, call, c.posts[call].outcomes("hello"), "delivered")
		}
		same(t, "left open", c.open())
	})
}

// After a long cut both gateways listen before one transmits again. What waits arrives,
// and its writer is told once. That it is not handed to and fro meanwhile is shown below.
func TestAfterALongCutWhatWaitsArrives(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		hill.beacon(birch)
		valley.beacon(alder)
		valley.silence(alder, true)
		time.Sleep(time.Minute)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(time.Minute)
		for _, call := range []string{"N0QRA-10", "N0QRB-10"} {
			c.wire.sever(call, true)
		}
		time.Sleep(10 * time.Minute)
		valley.beacon(alder)
		for _, call := range []string{"N0QRA-10", "N0QRB-10"} {
			c.wire.sever(call, false)
		}
		time.Sleep(65 * time.Second)
		valley.silence(alder, false)
		valley.beacon(alder)
		time.Sleep(10 * time.Minute)
		same(t, "transmitters", c.transmitter("valley"), "N0QRA-10")
		if got := hill.told(birch); count(got, "receipt N0QRC-7>N0QRD-9 1") != 1 || count(got, "nak") != 0 {
			t.Errorf("birch was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

// The transmitter's mesh link is down, and the word of that is lost: until the next one
// the other gateway takes it for the transmitter. What either hands over waits there.
func TestWhileTwoGatewaysTakeEachOtherForTheTransmitterNothingIsHandedToAndFro(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		time.Sleep(time.Minute)
		c.wire.spoil(func() {
			c.wire.lose = func(_ string, e *event) bool { return e.kind == "presence" && e.from == "N0QRA-10" }
		})
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		hill.says(birch, alder, "1", "hello")
		time.Sleep(15 * time.Second)
		c.wire.spoil(func() { c.wire.lose = nil })
		if n := c.wire.counted("text"); n > 3 {
			t.Errorf("one text was published %d times", n)
		}
		time.Sleep(2 * time.Minute)
		once(t, "alder", valley.told(alder), "hello")
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "left open", c.open())
	})
}

// While both gateways of a mesh listen the first of them keeps what is for it.
func TestWhileBothListenTheFirstKeepsTheText(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		for _, call := range []string{"N0QRA-10", "N0QRB-10"} {
			c.posts[call].shut()
			c.posts[call].start()
		}
		time.Sleep(2 * time.Second)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(time.Minute)
		same(t, "transmitter", c.transmitter("valley"))
		if n := c.wire.counted("text"); n != 1 {
			t.Errorf("one text was published %d times, want once", n)
		}
		time.Sleep(2 * time.Minute)
		once(t, "alder", valley.told(alder), "hello")
		same(t, "left open", c.open())
	})
}

// Who is handed a text and refuses it tells its writer, also where nobody
// transmits yet: the one that handed it over leaves that to him.
func TestRefusedWhileBothListenTheWriterIsTold(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley aprs", "N0QRB-10 valley"}, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		for _, call := range c.calls() {
			c.posts[call].shut()
		}
		for _, call := range c.calls() {
			c.posts[call].start()
		}
		time.Sleep(2 * time.Second)
		if _, err := c.posts["N0QRA-10"].links["aprs"].Hear(t.Context(), beaconOf(birch)); err != nil {
			t.Fatal(err)
		}
		valley.deafen("N0QRA-10", true)
		var handed atomic.Int32
		c.wire.spoil(func() {
			c.wire.lose = func(_ string, e *event) bool {
				if e.m.Kind == message.Text {
					handed.Add(1)
				}
				return false
			}
		})
		valley.says(alder, birch, "1", strings.Repeat("a text that is too long for it ", 10))
		time.Sleep(10 * time.Minute)
		if n := handed.Load(); n != 1 {
			t.Errorf("handed over %d times, want once: the first refusal was not heard", n)
		}
		once(t, "alder", valley.told(alder), "too-long")
		same(t, "left open", c.open())
	})
}

func TestMailForAMeshBelongsToItsTransmitter(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley, b := c.airs["valley"], c.posts["N0QRB-10"]
		valley.beacon(alder)
		b.links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "<m1@club.example>", "good morning"))
		time.Sleep(5 * time.Minute)
		once(t, "alder", valley.told(alder), "good morning")
		same(t, "by the transmitter", c.posts["N0QRA-10"].outcomes("good morning"), "delivered")
		once(t, "ann", b.went("post"), "delivered: N0QRC-7 acknowledged")
		same(t, "left open", c.open())
	})
}

// What is on the air is not handed over while its ack may still come: whoever
// transmits now would send it once more, and nobody would know the ack.
func TestTextOnTheAirIsNotHandedOverBeforeItsAck(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		valley.silence(alder, true)
		time.Sleep(time.Minute)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(2 * time.Second)
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		time.Sleep(10 * time.Second)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		c.posts["N0QRB-10"].links["valley"].Ack(t.Context(), valley.first())
		time.Sleep(30 * time.Minute)
		same(t, "alder", valley.told(alder), "text N0QRD-9>N0QRC-7 hello")
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "left open", c.open())
	})
}

// A gateway yields to the one that has just started, and hands over what waits, before
// the word that it transmits no more has come there. The writer has his receipt all the
// same: neither leaves it to the other.
func TestHandedOverBeforeTheWordThatItTransmitsNoMore(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 valley"}, func(t *testing.T, c *country) {
		valley, a, b := c.airs["valley"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		valley.beacon(birch)
		time.Sleep(time.Minute)
		a.shut()
		time.Sleep(2 * time.Minute)
		if err := b.bridge.Quiet(t.Context(), "valley", "test"); err != nil {
			t.Fatal(err)
		}
		valley.says(alder, "POST", "1", birch+" hello")
		time.Sleep(2 * time.Second)
		var late event
		c.wire.spoil(func() {
			c.wire.lose = func(to string, e *event) bool {
				switch {
				case e.kind == "text":
					c.wire.lose = nil
					late.number, late.say.Count = late.number+1000, late.say.Count+1
					time.AfterFunc(10*time.Millisecond, func() { c.wire.spoil(func() { c.wire.arrive(to, late) }) })
				case e.kind == "presence" && e.from == "N0QRB-10":
					late = *e
					e.say.Transmits = true
				}
				return false
			}
		})
		a.start()
		time.Sleep(20 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		once(t, "alder", valley.told(alder), "receipt POST>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

// What a gateway has transmitted itself, and hands over since nobody has acknowledged it,
// is no frame of another's that it took for a text.
func TestWhatWasTransmittedInVainIsHandedOver(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(birch)
		valley.silence(birch, true)
		valley.says(alder, "POST", "1", birch+" hello")
		time.Sleep(5 * time.Minute)
		same(t, "the first", c.posts["N0QRA-10"].outcomes("hello"), "open:later")
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		valley.silence(birch, false)
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.beacon(birch)
		time.Sleep(10 * time.Minute)
		same(t, "alder", valley.told(alder), "receipt POST>N0QRC-7 1")
		for _, call := range c.calls() {
			same(t, call, c.posts[call].outcomes("hello"), "delivered")
		}
		same(t, "left open", c.open())
	})
}

// A gateway handed a mail over to the transmitter, which never got it. As the transmitter it
// gave it to that one once more, for its mail link, and leaves the writer to it as before. So
// who takes it for the transmitter, and transmits when the mail fails, tells the writer.
func TestMailThatWasHandedOverAndThenOnlyGivenFails(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley mail", "N0QRB-10 valley"}, func(t *testing.T, c *country) {
		valley, a, b := c.airs["valley"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		valley.beacon(alder)
		c.wire.spoil(func() { c.wire.lose = func(to string, e *event) bool { return to == "N0QRA-10" && e.kind == "text" } })
		valley.deafen("N0QRA-10", true)
		valley.says(alder, "ann@club.example", "1", "hello")
		time.Sleep(90 * time.Second)
		a.shut()
		time.Sleep(3 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.deafen("N0QRA-10", false)
		c.wire.spoil(func() { c.wire.lose = nil })
		a.start()
		a.links["post"].Down("no server")
		time.Sleep(time.Minute)
		a.links["post"].Up()
		later := errors.New("greylisted")
		a.links["post"].FailNext(later, later, later, link.Permanent("mail", errors.New("no such mailbox")))
		time.Sleep(30 * time.Second)
		same(t, "N0QRA-10", a.outcomes("hello"), "open:later")
		b.links["valley"].Down("the broker is gone")
		time.Sleep(time.Hour)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		if count(valley.told(alder), "no such mailbox") == 0 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		same(t, "left open", c.open())
	})
}

// A notice that waits at the transmitter lives as long as where it was made.
func TestNoticeThatWasHandedOverWaitsForHours(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		a, b, valley := c.posts["N0QRA-10"], c.posts["N0QRB-10"], c.airs["valley"]
		if err := a.bridge.Quiet(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), b.call)
		valley.says(alder, "N0QRD-8", "1", "are you there")
		time.Sleep(4 * time.Minute)
		if err := b.bridge.Quiet(t.Context(), "valley", "N0QRB"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(3 * time.Minute)
		b.link("valley").Down("the broker is gone")
		time.Sleep(4 * time.Hour)
		same(t, "alder, while there is silence", valley.told(alder))
		if err := a.bridge.Resume(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(3 * time.Minute)
		once(t, "alder", valley.told(alder), "held: N0QRD-8 never heard")
	})
}
