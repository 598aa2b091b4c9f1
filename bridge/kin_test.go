package bridge_test

import (
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func textFrom(from, to, id, text string) message.Message {
	return message.Message{Kind: message.Text, From: from, To: to, OriginID: id, Text: text, SenderCall: "N0QRH"}
}

func beaconOf(call string) message.Message {
	return message.Message{Kind: message.Beacon, From: call, Messaging: true}
}

var twoOnOneMesh = []string{"N0QRA-10 valley mail", "N0QRB-10 valley mail"}

// mails counts what both gateways mailed.
func (c *country) mails(words string) (n int) {
	for _, p := range c.posts {
		n += count(p.went("post"), words)
	}
	return n
}

func TestTwoGatewaysWithMailLinksOneMail(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		time.Sleep(10 * time.Minute)
		if n := c.mails("all well"); n != 1 {
			t.Errorf("%d mails", n)
		}
		same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
		same(t, "the shadow", c.posts["N0QRB-10"].outcomes("all well"), "taken")
		same(t, "left open", c.open())
	})
}

func TestOnlyTheSecondHearsStillOneMail(t *testing.T) {
	for _, id := range []string{"1", ""} {
		t.Run("id "+id, func(t *testing.T) {
			inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
				c.airs["valley"].deafen("N0QRA-10", true)
				c.airs["valley"].says(alder, "ann@club.example", id, "all well")
				time.Sleep(10 * time.Minute)
				if n := c.mails("all well"); n != 1 {
					t.Errorf("%d mails", n)
				}
				same(t, "by the transmitter", c.posts["N0QRA-10"].outcomes("all well"), "delivered")
				same(t, "the second", c.posts["N0QRB-10"].outcomes("all well"), "delivered")
				want := []string{"receipt ann@club.example>N0QRC-7 1"}
				if id == "" {
					want = nil // it asked for none
				}
				same(t, "alder", c.airs["valley"].told(alder), want...)
				same(t, "left open", c.open())
			})
		})
	}
}

func TestShadowsAreRoutedByTheirHolderWhenTheTransmitterDies(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		c.posts["N0QRA-10"].shut()
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		time.Sleep(90 * time.Second)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		if n := c.mails("all well"); n != 1 {
			t.Errorf("%d mails", n)
		}
		same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
		c.posts["N0QRA-10"].start()
		time.Sleep(10 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		same(t, "left open", c.open())
	})
}

// threeGateways are two on the valley mesh and one far away.
var threeGateways = []string{"N0QRA-10 valley", "N0QRB-10 valley", "N0QRE-10 hill"}

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

func TestMeshBrokerDeadAtTheTransmitterWhileItsTrunkLives(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		time.Sleep(time.Minute)
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		hill.says(birch, alder, "1", "hello")
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		if n := count(valley.told(alder), "hello"); n != 1 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "left open", c.open())
	})
}

func TestWritersReceiptAfterTheTransmitterChanged(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		hill.beacon(birch)
		hill.silence(birch, true)
		valley.says(alder, birch, "1", "hello")
		time.Sleep(5 * time.Second)
		same(t, "N0QRA-10", c.posts["N0QRA-10"].outcomes("hello"), "open:passed")
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		time.Sleep(20 * time.Minute)
		hill.silence(birch, false)
		hill.beacon(birch)
		time.Sleep(5 * time.Minute)
		if n := count(valley.told(alder), "receipt N0QRD-9>N0QRC-7 1"); n != 1 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		same(t, "left open", c.open())
	})
}

func TestSplitBothTransmitAndNothingIsLost(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		hill.beacon(birch)
		valley.beacon(alder)
		time.Sleep(time.Minute)
		c.wire.sever("N0QRB-10", true)
		time.Sleep(10 * time.Second)
		same(t, "transmitters", c.transmitter("valley"), "N0QRA-10", "N0QRB-10")
		valley.says(alder, birch, "1", "during the split")
		hill.says(birch, alder, "1", "to the split mesh")
		time.Sleep(10 * time.Minute)
		c.wire.sever("N0QRB-10", false)
		time.Sleep(20 * time.Minute)
		same(t, "transmitters", c.transmitter("valley"), "N0QRA-10")
		if n := count(hill.told(birch), "during the split"); n != 1 {
			t.Errorf("birch was told %q", hill.told(birch))
		}
		if n := count(valley.told(alder), "to the split mesh"); n != 1 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		if n := count(valley.told(alder), "receipt"); n < 1 || n > 2 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		same(t, "left open", c.open())
	})
}

// After a long cut both gateways listen before one transmits again. What waits is
// not thrown from one to the other meanwhile, until it has been handed on too often.
func TestAfterALongCutNothingIsHandedToAndFro(t *testing.T) {
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
		texts := c.wire.counted("text")
		time.Sleep(65 * time.Second)
		if n := c.wire.counted("text") - texts; n > 3 {
			t.Errorf("one text was published %d times", n)
		}
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
		if got := valley.told(alder); count(got, "too-long") != 1 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

// A gateway that is handed a text which it has itself, and hands it back later since
// the other transmits now, is not taken for one whose copy has crossed on the way.
func TestTextThatBothHadComesBackToTheTransmitter(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(birch)
		time.Sleep(time.Minute)
		c.wire.spoil(func() { c.wire.lose = func(_ string, e *event) bool { return e.kind == "taken" } })
		valley.silence(birch, true)
		valley.says(alder, birch, "1", "hello")
		time.Sleep(2 * time.Minute)
		c.wire.spoil(func() { c.wire.lose = nil })
		same(t, "the first", c.posts["N0QRA-10"].outcomes("hello"), "open:local")
		same(t, "the second", c.posts["N0QRB-10"].outcomes("hello"), "open:passed")
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		time.Sleep(7 * time.Minute)
		valley.silence(birch, false)
		valley.beacon(birch)
		time.Sleep(30 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		if got := valley.told(birch); count(got, "hello") != 1 {
			t.Errorf("birch was told %q", got)
		}
		if got := valley.told(alder); count(got, "receipt N0QRD-9>N0QRC-7 1") != 1 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

// Two copies of a mail cross between the gateways of a mesh, and the one of the lower
// call sign sends it: the other hears so.
func TestWhoseCopyHasCrossedHearsWhatBecameOfIt(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley mail", "N0QRB-10 valley"}, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		time.Sleep(2 * time.Minute)
		c.posts["N0QRA-10"].links["valley"].Up()
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		c.wire.spoil(func() {
			c.wire.lose = func(to string, e *event) bool { return to == "N0QRA-10" && (e.kind == "taken" || e.kind == "text") }
		})
		valley.says(alder, "ann@club.example", "1", "all well")
		time.Sleep(75 * time.Second) // its shadow has gone to the transmitter
		same(t, "the first", c.posts["N0QRA-10"].outcomes("all well"), "open:later")
		c.wire.spoil(func() { c.wire.lose = nil })
		time.Sleep(10 * time.Minute)
		if n := c.mails("all well"); n != 1 {
			t.Errorf("%d mails", n)
		}
		same(t, "the first", c.posts["N0QRA-10"].outcomes("all well"), "delivered")
		same(t, "the second", c.posts["N0QRB-10"].outcomes("all well"), "delivered")
		same(t, "left open", c.open())
	})
}

func TestGatewaysOfAMeshHearEachOthersTransmissions(t *testing.T) {
	for _, via := range []bool{true, false} {
		t.Run(map[bool]string{true: "with via", false: "without via"}[via], func(t *testing.T) {
			inCountry(t, append(twoOnOneMesh, "N0QRE-10 hill"), func(t *testing.T, c *country) {
				valley, hill := c.airs["valley"], c.airs["hill"]
				valley.via = via
				valley.beacon(alder)
				time.Sleep(time.Minute)
				hill.says(birch, alder, "1", "hello")
				hill.says(birch, "ALL", "2", "net at eight")
				time.Sleep(10 * time.Minute)
				if n := count(valley.told(alder), "hello"); n != 1 {
					t.Errorf("alder was told %q", valley.told(alder))
				}
				if n := count(valley.told("ALL"), "net at eight"); n != 1 {
					t.Errorf("all were told %q", valley.told("ALL"))
				}
				same(t, "the hill", hill.told("ALL"))
				same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
				for _, h := range c.posts["N0QRB-10"].bridge.Stations() {
					if h.Call == birch && h.Link == "valley" {
						t.Errorf("birch counts as heard on the valley mesh: %+v", h)
					}
				}
				same(t, "left open", c.open())
			})
		})
	}
}

func TestMailForAMeshBelongsToItsTransmitter(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley, b := c.airs["valley"], c.posts["N0QRB-10"]
		valley.beacon(alder)
		b.links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "<m1@club.example>", "good morning"))
		time.Sleep(5 * time.Minute)
		if got := valley.told(alder); count(got, "good morning") != 1 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "by the transmitter", c.posts["N0QRA-10"].outcomes("good morning"), "delivered")
		if got := b.went("post"); count(got, "delivered: N0QRC-7 acknowledged") != 1 {
			t.Errorf("ann got %q", got)
		}
		same(t, "left open", c.open())
	})
}

// The ack of a station that only the second gateway hears ends the delivery of
// the first, which sent the text.
func TestAckThatOnlyTheSecondGatewayHears(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		time.Sleep(time.Minute)
		valley.deafen("N0QRA-10", true)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(30 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		same(t, "alder", valley.told(alder), "text N0QRD-9>N0QRC-7 hello")
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
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
		valley.mu.Lock()
		f := valley.frames[0]
		valley.mu.Unlock()
		c.posts["N0QRB-10"].links["valley"].Ack(t.Context(), f)
		time.Sleep(30 * time.Minute)
		same(t, "alder", valley.told(alder), "text N0QRD-9>N0QRC-7 hello")
		same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
		same(t, "left open", c.open())
	})
}

func TestRefusalThatOnlyTheSecondGatewayHears(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		valley.silence(alder, true)
		time.Sleep(time.Minute)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(10 * time.Second)
		valley.mu.Lock()
		f := valley.frames[0]
		valley.mu.Unlock()
		c.posts["N0QRB-10"].links["valley"].Nak(t.Context(), f)
		time.Sleep(time.Minute)
		if got := hill.told(birch); count(got, "nak") != 1 || count(got, "not delivered") != 1 {
			t.Errorf("birch was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

// Two stations of one mesh, far from the gateway that transmits: text, ack or
// both are heard by the second gateway alone. No gateway needs to send anything.
func TestStationsOfOneMeshThatOnlyTheSecondGatewayHears(t *testing.T) {
	for _, hears := range []string{"only the ack", "both"} {
		t.Run(hears, func(t *testing.T) {
			inCountry(t, threeGateways, func(t *testing.T, c *country) {
				valley := c.airs["valley"]
				const near = "N0QRG-5"
				valley.beacon(near)
				valley.beacon(alder)
				time.Sleep(time.Minute)
				valley.deafen("N0QRA-10", hears == "both")
				valley.says(near, alder, "7", "over the fence")
				valley.deafen("N0QRA-10", true)
				time.Sleep(5 * time.Second)
				valley.heardBy(t.Context(), message.Message{Kind: message.Receipt, From: alder, To: near, Acks: "7"}, "")
				time.Sleep(30 * time.Minute)
				same(t, "transmitted", append(valley.told(alder), valley.told(near)...))
				same(t, "left open", c.open())
			})
		})
	}
}

// A node that was reset writes under a used id. The ack of what had it before ends nothing.
func TestUsedIDOfStationsThatOnlyTheSecondGatewayHears(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		const near = "N0QRG-5"
		valley.beacon(near)
		valley.beacon(alder)
		time.Sleep(time.Minute)
		valley.deafen("N0QRA-10", true)
		valley.says(near, alder, "7", "over the fence")
		time.Sleep(5 * time.Second)
		valley.heardBy(t.Context(), message.Message{Kind: message.Receipt, From: alder, To: near, Acks: "7"}, "")
		time.Sleep(4 * time.Minute)
		valley.says(near, alder, "7", "the roof is off")
		time.Sleep(15 * time.Minute)
		valley.deafen("N0QRA-10", false)
		valley.beacon(alder)
		time.Sleep(time.Minute)
		same(t, "alder", valley.told(alder), "text N0QRG-5>N0QRC-7 the roof is off")
	})
}

// The transmitter's disk is full, for hours: another gateway of the mesh transmits as
// long as that lasts, and takes what comes from the mesh and for it.
func TestFullStoreAnotherGatewayTransmits(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		hill.beacon(birch)
		c.posts["N0QRA-10"].full.Store(true)
		hill.says(birch, alder, "1", "to a full one")
		valley.says(alder, birch, "1", "from a full one")
		time.Sleep(5 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		if n := count(valley.told(alder), "to a full one"); n != 1 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		if n := count(hill.told(birch), "from a full one"); n != 1 {
			t.Errorf("birch was told %q", hill.told(birch))
		}
		time.Sleep(2 * time.Hour)
		c.posts["N0QRA-10"].full.Store(false)
		time.Sleep(10 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		told := hill.told(birch)
		slices.Sort(told) // both go in the same second, and neither waits for the other
		same(t, "birch", told, "receipt N0QRC-7>N0QRD-9 1", "text N0QRC-7>N0QRD-9 from a full one")
		same(t, "left open", c.open())
	})
}

func TestNoFarGatewayMayTellOfAcks(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		valley.silence(alder, true)
		time.Sleep(time.Minute)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(10 * time.Second)
		valley.mu.Lock()
		f := valley.frames[0]
		valley.mu.Unlock()
		c.posts["N0QRA-10"].host(c).TakenBy(link.Taken{Mesh: "valley", Gateway: "N0QRE-10", Acks: []link.Ack{{Station: alder, To: birch, ID: f.ID}}})
		time.Sleep(10 * time.Second)
		same(t, "N0QRA-10", c.posts["N0QRA-10"].outcomes("hello"), "open:later")
		same(t, "birch", hill.told(birch))
	})
}

// Silenced by its operator a gateway is no good as a mesh's transmitter: another
// takes its place at once, what waits moves there, and it comes back as a
// newcomer.
func TestQuietMeshAnotherGatewayTransmits(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill, a := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		hill.beacon(birch)
		time.Sleep(time.Minute)
		if err := a.bridge.Quiet(t.Context(), "valley", "test"); err != nil {
			t.Fatal(err)
		}
		hill.says(birch, alder, "1", "to the valley")
		valley.says(alder, birch, "1", "to the hill")
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		same(t, "alder", sorted(valley.told(alder)), "receipt N0QRD-9>N0QRC-7 1", "text N0QRD-9>N0QRC-7 to the valley")
		same(t, "birch", sorted(hill.told(birch)), "receipt N0QRC-7>N0QRD-9 1", "text N0QRC-7>N0QRD-9 to the hill")
		if err := a.bridge.Resume(t.Context(), "valley", "test"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		same(t, "left open", c.open())
	})
}

// Alone on its mesh a quiet gateway goes on receiving and queueing.
func TestQuietMeshWithNoOtherGateway(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		valley, hill, a := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		hill.beacon(birch)
		time.Sleep(time.Minute)
		if err := a.bridge.Quiet(t.Context(), "valley", "test"); err != nil {
			t.Fatal(err)
		}
		hill.says(birch, alder, "1", "to the valley")
		valley.says(alder, birch, "1", "to the hill")
		time.Sleep(10 * time.Second)
		same(t, "birch", hill.told(birch), "text N0QRC-7>N0QRD-9 to the hill")
		same(t, "alder", valley.told(alder))
		if err := a.bridge.Resume(t.Context(), "valley", "test"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Minute)
		same(t, "alder", sorted(valley.told(alder)), "receipt N0QRD-9>N0QRC-7 1", "text N0QRD-9>N0QRC-7 to the valley")
		same(t, "left open", c.open())
	})
}

// A quiet trunk says nothing at all, so to the others the gateway is away: another
// gateway of its mesh transmits, and what it has waits until it may speak again.
func TestQuietTrunkAnotherGatewayTransmits(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill, a := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		hill.beacon(birch)
		time.Sleep(time.Minute)
		if err := a.bridge.Quiet(t.Context(), "far", "test"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Second)
		before := c.wire.countedFrom("N0QRA-10")
		time.Sleep(90 * time.Second)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.says(alder, birch, "1", "to the hill")
		hill.says(birch, alder, "1", "to the valley")
		time.Sleep(5 * time.Minute)
		if n := c.wire.countedFrom("N0QRA-10") - before; n > 0 {
			t.Errorf("it published %d events though it is quiet", n)
		}
		same(t, "alder", sorted(valley.told(alder)), "receipt N0QRD-9>N0QRC-7 1", "text N0QRD-9>N0QRC-7 to the valley")
		same(t, "birch", sorted(hill.told(birch)), "receipt N0QRC-7>N0QRD-9 1", "text N0QRC-7>N0QRD-9 to the hill")
		if err := a.bridge.Resume(t.Context(), "far", "test"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		same(t, "left open", c.open())
	})
}

// A gateway whose trunk or mesh link carries one direction only.
func TestOneWayGatewayStandsBack(t *testing.T) {
	for _, way := range []string{"FAR_DIRECTION=in", "VALLEY_DIRECTION=in", "VALLEY_DIRECTION=out"} {
		t.Run(way, func(t *testing.T) {
			inCountry(t, []string{"N0QRA-10 valley mail " + way, "N0QRB-10 valley mail", "N0QRE-10 hill"}, func(t *testing.T, c *country) {
				valley, hill := c.airs["valley"], c.airs["hill"]
				same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
				valley.beacon(alder)
				hill.beacon(birch)
				time.Sleep(time.Minute)
				hill.says(birch, alder, "1", "to the valley")
				valley.says(alder, "ann@club.example", "1", "all well")
				time.Sleep(5 * time.Minute)
				if n := c.mails("all well"); n != 1 {
					t.Errorf("%d mails", n)
				}
				if got := valley.told(alder); count(got, "to the valley") != 1 || count(got, "receipt") != 1 {
					t.Errorf("alder was told %q", got)
				}
				same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1")
				same(t, "left open", c.open())
			})
		})
	}
}

// A link that only sends still learns what became of what it sent.
func TestLinkThatOnlySendsTakesAcknowledgements(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley FAR_DIRECTION=out", "N0QRB-10 hill HILL_DIRECTION=out ROUTES=N0QRD*=hill"}, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		hill.beacon(birch)
		if _, err := c.posts["N0QRB-10"].bridge.Send(t.Context(), desk.Draft{To: birch, Text: "by the hill"}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Minute)
		same(t, "birch", hill.told(birch), "text N0QRB-10>N0QRD-9 by the hill")
		c.posts["N0QRB-10"].links["hill"].Hear(t.Context(), textFrom(birch, alder, "1", "not taken"))
		if _, err := c.posts["N0QRB-10"].bridge.Send(t.Context(), desk.Draft{To: alder, Text: "not taken there"}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		same(t, "not taken", c.posts["N0QRB-10"].outcomes("not taken"))
		same(t, "refused by the far gateway", c.posts["N0QRB-10"].outcomes("not taken there"), "failed")
		same(t, "alder", valley.told(alder))
		same(t, "left open", c.open())
	})
}

func sorted(lines []string) []string {
	slices.Sort(lines)
	return lines
}

// Of two gateways that hear a station one tells where it is.
func TestPositionHeardByTwoGatewaysGoesOutOnce(t *testing.T) {
	for _, row := range []struct {
		what, first string
		deaf        bool
		by          string // who gates to APRS
	}{
		{"both gate", "aprs APRS_POSITIONS=true", false, "N0QRA-10"},
		{"only the second gates", "", false, "N0QRB-10"},
		{"only the second hears", "aprs APRS_POSITIONS=true", true, "N0QRB-10"},
	} {
		t.Run(row.what, func(t *testing.T) {
			inCountry(t, []string{"N0QRA-10 valley " + row.first, "N0QRB-10 valley aprs APRS_POSITIONS=true", "N0QRE-10 hill"}, func(t *testing.T, c *country) {
				same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
				valley := c.airs["valley"]
				valley.deafen("N0QRA-10", row.deaf)
				for i := range 10 { // it moves for five minutes
					valley.position(alder, 46.5+float64(i)/100, -122.9)
					time.Sleep(30 * time.Second)
				}
				time.Sleep(10 * time.Second)
				for _, call := range []string{"N0QRA-10", "N0QRB-10"} {
					want := 0
					if call == row.by {
						want = 5
					}
					if got := c.posts[call].went("aprs"); len(got) != want {
						t.Errorf("%s gated %d positions, want %d: %q", call, len(got), want, got)
					}
				}
				if n := c.wire.counted("position"); n != 5 {
					t.Errorf("published %d times on the trunk, want 5", n)
				}
			})
		})
	}
}
