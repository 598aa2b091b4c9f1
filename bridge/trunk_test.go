package bridge_test

import (
	"fmt"
	"testing"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

var (
	twoMeshes  = []string{"N0QRA-10 valley", "N0QRB-10 hill"}
	shortLived = []string{"N0QRA-10 valley LIFETIME=2h", "N0QRB-10 hill"}
	alder      = "N0QRC-7" // on the valley mesh
	near       = "N0QRG-5" // there, too
	birch      = "N0QRD-9" // on the hill
)

func TestDirectTextAcrossTheTrunkWithReceipt(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(10 * time.Second)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
		same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

func TestHeldUntilHeardFarAway(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["valley"].says(alder, birch, "1", "are you there")
		time.Sleep(3 * time.Hour)
		same(t, "alder", c.airs["valley"].told(alder), `notice N0QRA-10>N0QRC-7 held: N0QRD-9 never heard. Goes out when heard. "are you there"`)
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 010002Z are you there")
		same(t, "alder's receipt", c.airs["valley"].told(alder)[1:], "receipt N0QRD-9>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

// On the wire: loss, copies, delay.
func TestDirectTextsOverABadWire(t *testing.T) {
	for _, kind := range []string{"text", "custody", "receipt"} {
		t.Run("the first "+kind+" is lost", func(t *testing.T) {
			inCountry(t, twoMeshes, func(t *testing.T, c *country) {
				lost := 0
				c.wire.spoil(func() {
					c.wire.lose = func(to string, e *event) bool {
						if e.kind == kind && lost < 2 {
							lost++
							return true
						}
						return false
					}
				})
				c.airs["hill"].beacon(birch)
				c.airs["valley"].says(alder, birch, "1", "hello")
				time.Sleep(10 * time.Minute)
				same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
				same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
				same(t, "left open", c.open())
			})
		})
	}
	t.Run("everything twice and late", func(t *testing.T) {
		inCountry(t, twoMeshes, func(t *testing.T, c *country) {
			c.wire.spoil(func() { c.wire.twice, c.wire.delay = true, 7*time.Second })
			c.airs["hill"].beacon(birch)
			c.airs["valley"].says(alder, birch, "1", "hello")
			time.Sleep(10 * time.Minute)
			same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
			same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
			same(t, "left open", c.open())
		})
	})
	t.Run("broker emptied in between", func(t *testing.T) {
		inCountry(t, twoMeshes, func(t *testing.T, c *country) {
			c.airs["hill"].beacon(birch)
			time.Sleep(time.Minute)
			for _, call := range c.calls() {
				c.wire.sever(call, true)
			}
			c.airs["valley"].says(alder, birch, "1", "hello")
			time.Sleep(5 * time.Minute)
			c.wire.empty()
			for _, call := range c.calls() {
				c.wire.sever(call, false)
			}
			time.Sleep(2 * time.Minute)
			same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
			if n := count(c.airs["valley"].told(alder), "receipt"); n != 1 {
				t.Errorf("%d receipts", n)
			}
			same(t, "left open", c.open())
		})
	})
}

func TestStationRoamsFromOneMeshToTheOther(t *testing.T) {
	for _, after := range []time.Duration{20 * time.Minute, 3 * time.Hour} { // known as the same, and not any more
		t.Run(after.String(), func(t *testing.T) { inCountry(t, twoMeshes, func(t *testing.T, c *country) { roam(t, c, after) }) })
	}
}

func roam(t *testing.T, c *country, after time.Duration) {
	c.airs["hill"].beacon(birch)
	time.Sleep(time.Minute)
	c.airs["valley"].silence(birch, true) // it goes, and nobody hears it anywhere
	c.airs["valley"].appears(birch)
	c.airs["valley"].says(alder, birch, "1", "where are you")
	time.Sleep(after) // N0QRB-10 tries in vain and holds
	c.airs["valley"].silence(birch, false)
	c.airs["valley"].beacon(birch)
	time.Sleep(5 * time.Minute)
	if got := c.airs["valley"].told(birch); count(got, "where are you") != 1 {
		t.Errorf("birch was told %q on the valley mesh", got)
	}
	if n := count(c.airs["valley"].told(alder), "receipt"); n != 1 {
		t.Errorf("%d receipts for alder: %q", n, c.airs["valley"].told(alder))
	}
	same(t, "left open", c.open())
}

func TestStationRoamsThereAndBackAndThereAgain(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast"}, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		mute := func(on bool) {
			for _, a := range c.airs {
				a.silence(birch, on)
			}
		}
		mute(true)
		c.airs["coast"].says(alder, birch, "1", "follow me")
		time.Sleep(20 * time.Minute)
		for range 2 { // heard there, and gone again before the text comes
			c.airs["valley"].beacon(birch)
			time.Sleep(20 * time.Minute)
			c.airs["hill"].beacon(birch)
			time.Sleep(20 * time.Minute)
		}
		mute(false)
		c.airs["valley"].beacon(birch)
		time.Sleep(20 * time.Minute)
		if n := count(c.airs["coast"].told(alder), "receipt"); n != 1 {
			t.Errorf("%d receipts for alder: %q", n, c.airs["coast"].told(alder))
		}
		for _, call := range c.calls() {
			for _, o := range c.posts[call].outcomes("follow me") {
				if o != "delivered" {
					t.Errorf("%s: %s", call, o)
				}
			}
		}
		same(t, "left open", c.open())
	})
}

// Two gateways hold a text, since the custody receipt was lost. Its station gets it from the
// one, and then the other one hands its copy back: that is the same text, however long ago
// it was written, and with or without an id.
func TestCopyThatIsHandedBackAfterTheTextHasArrived(t *testing.T) {
	for _, id := range []string{"1", ""} {
		inCountry(t, twoMeshes, func(t *testing.T, c *country) {
			c.wire.spoil(func() {
				c.wire.lose = func(to string, e *event) bool { return to == "N0QRA-10" && e.kind == "custody" }
			})
			c.airs["hill"].silence(birch, true)
			c.airs["hill"].beacon(birch)
			time.Sleep(time.Minute)
			c.airs["valley"].says(alder, birch, id, "hello")
			time.Sleep(10 * time.Minute)
			c.airs["valley"].beacon(birch)
			time.Sleep(30 * time.Minute)
			same(t, fmt.Sprintf("birch, id %q", id), c.airs["valley"].told(birch), "text N0QRC-7>N0QRD-9 hello")
			for _, call := range c.calls() {
				same(t, call, c.posts[call].outcomes("hello"), "delivered")
			}
		})
	}
}

func TestAtMostEightHandOvers(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast LIFETIME=8h"}, func(t *testing.T, c *country) {
		for _, a := range c.airs {
			a.silence(birch, true)
		}
		c.airs["hill"].beacon(birch)
		c.airs["coast"].says(alder, birch, "1", "catch me")
		for range 10 {
			time.Sleep(20 * time.Minute)
			c.airs["valley"].beacon(birch)
			time.Sleep(20 * time.Minute)
			c.airs["hill"].beacon(birch)
		}
		time.Sleep(3 * time.Hour)
		if n := c.wire.counted("text"); n > 8+20 {
			t.Errorf("%d transmissions", n)
		}
		once(t, "alder", c.airs["coast"].told(alder), "not delivered")
		same(t, "left open", c.open())
	})
}

func TestGatewayDiesBeforeCustodyAndTheTextTakesAnotherWay(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 hill"}, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		same(t, "transmitter", c.transmitter("hill"), "N0QRB-10")
		c.posts["N0QRB-10"].shut()
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(4 * time.Minute)
		same(t, "transmitter", c.transmitter("hill"), "N0QRE-10")
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
		if n := count(c.airs["valley"].told(alder), "receipt"); n != 1 {
			t.Errorf("%d receipts", n)
		}
		c.posts["N0QRB-10"].start() // what waited for it at the broker is known here
		time.Sleep(10 * time.Minute)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
		same(t, "left open", c.open())
	})
}

// A gateway that takes no receipts from another one, whose new key it does not know
// yet, say, gets them once it does. They are for that gateway: they do not follow the
// writer to where he is heard since.
func TestReceiptThatAGatewayTakesHoursLater(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		believed := false
		c.wire.spoil(func() {
			c.wire.lose = func(to string, e *event) bool { return !believed && e.kind == "receipt" }
		})
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(4 * time.Hour)
		c.airs["hill"].beacon(alder)
		time.Sleep(time.Hour)
		same(t, "alder on the hill", c.airs["hill"].told(alder))
		c.wire.spoil(func() { believed = true })
		time.Sleep(15 * time.Minute)
		same(t, "alder in the valley", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

// A receipt comes from a gateway of which nobody knows that it has the text: a power
// cut took the note of that. It stays there until the text has been there again.
func TestReceiptBeforeTheTextIsPassedOnAgain(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		number := uint64(0)
		receipt := func() {
			number++
			c.wire.publish(event{kind: "receipt", from: "N0QRB-10", number: number, inbox: "N0QRA-10", m: message.Message{
				Kind: message.Receipt, From: birch, To: alder, Acks: "N0QRA-10.1", Result: message.ResultDelivered, Via: "N0QRB-10", TrunkID: "N0QRB-10.9", Handed: true,
			}})
			time.Sleep(time.Minute)
		}
		c.airs["valley"].says(alder, birch, "1", "hello")
		receipt()
		if n := c.wire.counted("custody"); n != 0 {
			t.Errorf("%d custody receipts for what nobody believed", n)
		}
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		same(t, "passed on", c.posts["N0QRA-10"].outcomes("hello"), "open:passed")
		receipt()
		same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
		if n := c.wire.counted("custody"); n != 2 { // for the text and for the receipt
			t.Errorf("%d custody receipts", n)
		}
	})
}

// A gateway is alive and takes nothing, since its disk is full, say. A text for a
// station that is heard elsewhere since does not go on waiting for it.
func TestGatewayTakesNothingAndTheStationIsHeardElsewhere(t *testing.T) {
	for _, after := range []time.Duration{10 * time.Minute, 4 * time.Hour} { // between two tries, and when there are no more
		t.Run(after.String(), func(t *testing.T) {
			inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast"}, func(t *testing.T, c *country) {
				c.wire.spoil(func() {
					c.wire.lose = func(to string, e *event) bool { return to == "N0QRB-10" && e.kind == "text" }
				})
				c.airs["hill"].beacon(birch)
				c.airs["valley"].says(alder, birch, "1", "hello")
				time.Sleep(after)
				c.airs["coast"].beacon(birch)
				time.Sleep(10 * time.Minute)
				if n := count(c.airs["coast"].told(birch), "hello"); n != 1 {
					t.Errorf("birch was told %q on the coast", c.airs["coast"].told(birch))
				}
				once(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
				same(t, "left open", c.open())
			})
		})
	}
}

func TestNoGatewayLeftTheTextIsHeldAndComesWhenOneIsBack(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		c.posts["N0QRB-10"].shut()
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(20 * time.Minute)
		once(t, "alder", c.airs["valley"].told(alder), "held")
		c.posts["N0QRB-10"].start()
		time.Sleep(3 * time.Minute)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
		same(t, "left open", c.open())
	})
}

func TestRefusedAtTheFarGatewayTheWriterIsToldWhy(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill BLOCK=N0QRC"}, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(2 * time.Minute)
		same(t, "birch", c.airs["hill"].told(birch))
		got := c.airs["valley"].told(alder)
		if count(got, "not delivered to N0QRD-9") != 1 || count(got, "(blocked)") != 1 || count(got, "nak") != 1 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

func TestStationRefusesTheText(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		hill := c.airs["hill"]
		hill.silence(birch, true)
		hill.beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(time.Minute)
		hill.mu.Lock()
		f := hill.frames[0]
		hill.mu.Unlock()
		c.posts["N0QRB-10"].links["hill"].Nak(t.Context(), f)
		time.Sleep(time.Minute)
		if got := c.airs["valley"].told(alder); count(got, "nak") != 1 || count(got, "not delivered") != 1 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

func TestPassedOnAndNeverConfirmed(t *testing.T) {
	inCountry(t, shortLived, func(t *testing.T, c *country) {
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(time.Minute)
		same(t, "N0QRA-10", c.posts["N0QRA-10"].outcomes("hello"), "open:passed")
		c.posts["N0QRB-10"].shut() // for good
		time.Sleep(20 * time.Minute)
		if n := c.wire.counted("text"); n != 1 {
			t.Errorf("%d transmissions, though custody was passed on", n)
		}
		time.Sleep(2*time.Hour + 38*time.Minute)
		same(t, "alder", c.airs["valley"].told(alder))
		time.Sleep(5 * time.Minute)
		same(t, "alder", c.airs["valley"].told(alder), `notice N0QRA-10>N0QRC-7 not delivered to N0QRD-9: passed to N0QRB-10, not confirmed. "hello"`)
	})
}

func TestNeverAcknowledgedFarAwayTheWriterHearsItFromThere(t *testing.T) {
	inCountry(t, shortLived, func(t *testing.T, c *country) {
		c.airs["hill"].silence(birch, true)
		c.airs["hill"].beacon(birch)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(3 * time.Hour)
		got := c.airs["valley"].told(alder)
		if count(got, "held: N0QRD-9") != 1 || count(got, "not delivered to N0QRD-9: sent, not confirmed") != 1 || len(got) != 2 {
			t.Errorf("alder was told %q", got)
		}
		same(t, "left open", c.open())
	})
}

func TestMailThroughAFarGateway(t *testing.T) {
	for name, gateways := range map[string][]string{
		"none here":  {"N0QRA-10 valley", "N0QRB-10 hill mail"},
		"by a route": {"N0QRA-10 valley mail ROUTES=*@club.example=far", "N0QRB-10 hill mail"},
	} {
		t.Run(name, func(t *testing.T) {
			inCountry(t, gateways, func(t *testing.T, c *country) {
				c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
				time.Sleep(time.Minute)
				b := c.posts["N0QRB-10"]
				same(t, "mail", b.went("post"), "text N0QRC-7>ann@club.example all well")
				same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
				if !b.bridge.MayAnswer("ann@club.example", alder, time.Hour) {
					t.Error("ann may not answer")
				}
				b.links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "<m1@club.example>", "good to hear"))
				time.Sleep(time.Minute)
				once(t, "alder", c.airs["valley"].told(alder), "text ann@club.example>N0QRC-7 good to hear")
				once(t, "ann", b.went("post"), "delivered: N0QRC-7 acknowledged")
				same(t, "left open", c.open())
			})
		})
	}
}

// Nobody hears a mail address: what waits is a gateway with mail.
func TestMailThatNobodyCanSendIsHeldInOtherWords(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill mail"}, func(t *testing.T, c *country) {
		c.posts["N0QRB-10"].stop()
		time.Sleep(2 * time.Minute)
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		time.Sleep(10 * time.Minute)
		same(t, "alder", c.airs["valley"].told(alder), `notice N0QRA-10>N0QRC-7 held: ann@club.example: no way to mail now. Goes out when there is one. "all well"`)
		c.posts["N0QRB-10"].start()
		time.Sleep(5 * time.Minute)
		once(t, "mails", c.mails(), "all well")
	})
}

// The gateway with the mail link has a full disk: mail goes by another one.
func TestMailThroughAnotherGatewayWhileOneIsFull(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill mail", "N0QRE-10 coast mail"}, func(t *testing.T, c *country) {
		c.posts["N0QRB-10"].full.Store(true)
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		time.Sleep(5 * time.Minute)
		once(t, "mails", c.mails(), "all well")
		same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

func TestAPRSStationThroughAFarGateway(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill aprs"}, func(t *testing.T, c *country) {
		b := c.posts["N0QRB-10"]
		b.links["aprs"].Hear(t.Context(), beaconOf("N0QRG-5"))
		c.airs["valley"].says(alder, "N0QRG-5", "1", "hello")
		time.Sleep(time.Minute)
		if got := b.went("aprs"); count(got, "hello") < 1 {
			t.Fatalf("on APRS went %q", got)
		}
		b.links["aprs"].Ack(t.Context(), b.frame("aprs"))
		time.Sleep(time.Minute)
		same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRG-5>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}

func TestTheOperatorsOwnMessageAcross(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		a := c.posts["N0QRA-10"]
		if _, err := a.bridge.Send(t.Context(), desk.Draft{To: birch, Text: "net at eight", By: "N0QRA"}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRA-10>N0QRD-9 net at eight")
		same(t, "outcome", a.outcomes("net at eight"), "delivered")
		same(t, "left open", c.open())
	})
}

func TestQuietTrunkSendsNothingUntilResumed(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		a := c.posts["N0QRA-10"]
		if err := a.bridge.Quiet(t.Context(), "far", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(10 * time.Minute)
		same(t, "birch", c.airs["hill"].told(birch))
		if err := a.bridge.Resume(t.Context(), "far", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
	})
}

func TestRestartAtAnyPoint(t *testing.T) {
	for _, who := range []string{"N0QRA-10", "N0QRB-10"} {
		for after := range 6 {
			t.Run(fmt.Sprint(who, " after ", after, " s"), func(t *testing.T) {
				inCountry(t, twoMeshes, func(t *testing.T, c *country) {
					c.wire.spoil(func() { c.wire.delay = time.Second })
					c.airs["hill"].beacon(birch)
					time.Sleep(30 * time.Second)
					c.airs["valley"].says(alder, birch, "1", "hello")
					time.Sleep(time.Duration(after)*time.Second + time.Second/2)
					c.posts[who].restart()
					time.Sleep(15 * time.Minute)
					if n := count(c.airs["hill"].told(birch), "hello"); n < 1 || n > 2 { // its ack may have met nobody
						t.Errorf("birch was told %d times", n)
					}
					if n := count(c.airs["valley"].told(alder), "receipt"); n != 1 {
						t.Errorf("%d receipts for alder: %q", n, c.airs["valley"].told(alder))
					}
					same(t, "left open", c.open())
				})
			})
		}
	}
}

func TestGroupTextsOncePerMeshAndGateway(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 hill", "N0QRF-10 coast"}, func(t *testing.T, c *country) {
		c.wire.spoil(func() { c.wire.twice = true })
		c.airs["hill"].says(birch, "ALL", "1", "net at eight")
		time.Sleep(10 * time.Minute)
		for mesh, want := range map[string]int{"hill": 0, "valley": 1, "coast": 1} {
			if n := count(c.airs[mesh].told("ALL"), "net at eight"); n != want {
				t.Errorf("%d times on %s", n, mesh)
			}
		}
		if n := c.wire.counted("text"); n != 1 {
			t.Errorf("published %d times", n)
		}
		c.airs["valley"].says(alder, "ALL", "1", "weather is fine")
		time.Sleep(10 * time.Minute)
		for mesh, want := range map[string]int{"hill": 1, "valley": 0, "coast": 1} {
			if n := count(c.airs[mesh].told("ALL"), "weather is fine"); n != want {
				t.Errorf("%d times on %s", n, mesh)
			}
		}
		same(t, "left open", c.open())
	})
}

// Foreign bridges join the same meshes in a ring. What a gateway transmits comes back
// on the next mesh as if its writer had said it there, under the frame's id.
func TestRingOfForeignBridges(t *testing.T) {
	for _, to := range []string{birch, "ALL"} {
		t.Run(to, func(t *testing.T) {
			inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill", "N0QRE-10 coast"}, func(t *testing.T, c *country) {
				valley, hill, coast := c.airs["valley"], c.airs["hill"], c.airs["coast"]
				valley.next, hill.next, coast.next = hill, coast, valley
				hill.beacon(birch)
				valley.says(alder, to, "1", "hello")
				time.Sleep(time.Hour)
				for name, a := range c.airs {
					if n := count(a.told(to), "text"); n > 20 { // some, but no storm
						t.Errorf("%d texts went out on %s: %q", n, name, a.told(to))
					}
				}
				if n := count(valley.told(alder), "not delivered"); n > 0 {
					t.Errorf("alder was told %q", valley.told(alder))
				}
			})
		})
	}
}

func TestPositionsAreShownFarAwayAndGatedOnlyWhereHeard(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 hill aprs APRS_POSITIONS=true"}, func(t *testing.T, c *country) {
		for range 5 {
			c.airs["valley"].position(alder, 46.5, -122.9)
			time.Sleep(10 * time.Second)
		}
		list := c.posts["N0QRB-10"].bridge.Stations()
		if len(list) != 1 || list[0].Call != alder || list[0].Gateway != "N0QRA-10" || *list[0].Lat != 46.5 || !list[0].Fresh || list[0].Ago > 60 {
			t.Errorf("shown: %+v", list)
		}
		if n := c.wire.counted("position"); n != 1 {
			t.Errorf("published %d times", n)
		}
		same(t, "on APRS", c.posts["N0QRB-10"].went("aprs"))
		time.Sleep(25 * time.Hour)
		if list = c.posts["N0QRB-10"].bridge.Stations(); len(list) != 1 || list[0].Fresh || list[0].Ago < (25*time.Hour).Seconds() {
			t.Errorf("shown a day later: %+v", list)
		}
	})
}

// A station on the air under a portable form is found far away, by that form and
// by the call sign alone.
func TestPortableStationFarAway(t *testing.T) {
	for _, row := range []struct{ heard, to string }{
		{"N0QRD/P", "N0QRD/P"}, {"N0QRD/P", "N0QRD"}, {"DL/N0QRD/P", "DL/N0QRD/P"}, {"DL/N0QRD-3", "DL/N0QRD-3"},
	} {
		t.Run(row.heard+" by "+row.to, func(t *testing.T) {
			inCountry(t, twoMeshes, func(t *testing.T, c *country) {
				c.airs["hill"].beacon(row.heard)
				time.Sleep(time.Minute)
				c.airs["valley"].says(alder, row.to, "1", "hello")
				time.Sleep(time.Minute)
				same(t, row.heard, c.airs["hill"].told(row.heard), "text N0QRC-7>"+row.heard+" hello")
				once(t, "alder", c.airs["valley"].told(alder), "receipt")
				same(t, "left open", c.open())
			})
		})
	}
}

// Clients count from 1 again, and the same is written twice a day. To the gateway that heard
// them these are two texts, however late they come to the next one.
func TestSameTextsThatAreHandedOnTogether(t *testing.T) {
	for _, id := range []string{"1", ""} {
		inCountry(t, twoMeshes, func(t *testing.T, c *country) {
			c.airs["hill"].beacon(birch)
			time.Sleep(time.Minute)
			c.wire.sever("N0QRA-10", true)
			for range 2 {
				c.airs["valley"].says(alder, birch, id, "all ok")
				time.Sleep(3 * time.Hour)
			}
			c.wire.sever("N0QRA-10", false)
			time.Sleep(10 * time.Minute)
			if told := c.airs["hill"].told(birch); count(told, "all ok") != 2 {
				t.Errorf("id %q: birch was told %q", id, told)
			}
			same(t, "left open", c.open())
		})
	}
}
