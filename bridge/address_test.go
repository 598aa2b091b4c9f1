package bridge_test

import (
	"slices"
	"testing"
	"time"
)

// A phone writes to POST, or to the call sign of any gateway of its mesh. To all of them
// that is one text, whoever hears it and as often as it is repeated.
func TestTextsToTheGatewaysOfOneMesh(t *testing.T) {
	for _, to := range []string{"POST", "N0QRA-10", "N0QRB-10", "N0QRA", "N0QRB"} {
		for _, heard := range []struct{ first, again string }{
			{first: "both"}, {first: "transmitter"}, {first: "second"}, {first: "second", again: "both"}, {first: "second", again: "transmitter"},
		} {
			for _, id := range []string{"1", ""} {
				t.Run(to+" id "+id+" heard by "+heard.first+" and again by "+heard.again, func(t *testing.T) {
					inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
						says := func(hears string) {
							c.airs["valley"].deafen("N0QRA-10", hears == "second")
							c.airs["valley"].deafen("N0QRB-10", hears == "transmitter")
							c.airs["valley"].says(alder, to, id, "ann@club.example hello")
						}
						says(heard.first)
						time.Sleep(100 * time.Second)
						if heard.again != "" {
							says(heard.again)
						}
						time.Sleep(10 * time.Minute)
						once(t, "mails", c.mails(), "hello")
						told := slices.Compact(c.airs["valley"].told(alder)) // a repetition has its receipt again
						if id == "" {
							same(t, "alder", told)
						} else {
							same(t, "alder", told, "receipt "+to+">N0QRC-7 1")
						}
						same(t, "left open", c.open())
					})
				})
			}
		}
	}
}

func TestTextToAGatewayThatIsGone(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		c.posts["N0QRA-10"].shut()
		time.Sleep(2 * time.Minute)
		c.airs["valley"].says(alder, "N0QRA-10", "1", "ann@club.example hello")
		time.Sleep(time.Minute)
		same(t, "alder", c.airs["valley"].told(alder), "receipt N0QRA-10>N0QRC-7 1")
	})
}

// A phone that gives its texts no ids says the same to two stations, by one gateway.
func TestSameWordsToTwoStationsByTheGateway(t *testing.T) {
	inCountry(t, twoMeshes, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		hill.beacon(birch)
		hill.beacon(near)
		time.Sleep(10 * time.Second)
		for _, to := range []string{birch, near} {
			valley.says(alder, "POST", "", to+" all ok")
			time.Sleep(5 * time.Second)
		}
		time.Sleep(10 * time.Minute)
		for _, to := range []string{birch, near} {
			same(t, to, hill.told(to), "text N0QRC-7>"+to+" all ok")
		}
		same(t, "left open", c.open())
	})
}

// A phone answers who wrote to it last. Whom it means the transmitter knows, who gave it
// that; the others of its mesh pass its words on as they are.
func TestAnswerWithoutAnAddress(t *testing.T) {
	for _, to := range []string{"POST", "N0QRB-10"} {
		for _, heard := range []struct{ first, again string }{
			{first: "both"}, {first: "transmitter"}, {first: "second"}, {first: "second", again: "both"}, {first: "both", again: "both"},
		} {
			for _, lost := range []bool{false, true} {
				name := to + " heard by " + heard.first + " and again by " + heard.again
				if lost {
					name += ", word of it is lost"
				}
				t.Run(name, func(t *testing.T) {
					inCountry(t, threeGateways, func(t *testing.T, c *country) {
						valley, hill := c.airs["valley"], c.airs["hill"]
						valley.beacon(alder)
						hill.says(birch, alder, "1", "are you there")
						time.Sleep(10 * time.Second)
						if lost {
							c.wire.spoil(func() { c.wire.lose = func(_ string, e *event) bool { return e.kind == "taken" } })
						}
						says := func(hears string) {
							valley.deafen("N0QRA-10", hears == "second")
							valley.deafen("N0QRB-10", hears == "transmitter")
							valley.says(alder, to, "7", "yes, I am")
							valley.deafen("N0QRA-10", false)
							valley.deafen("N0QRB-10", false)
						}
						says(heard.first)
						time.Sleep(100 * time.Second)
						if heard.again != "" {
							says(heard.again)
						}
						time.Sleep(10 * time.Minute)
						same(t, "birch", hill.told(birch), "receipt N0QRC-7>N0QRD-9 1", "text N0QRC-7>N0QRD-9 yes, I am")
						same(t, "alder", slices.Compact(valley.told(alder)), "text N0QRD-9>N0QRC-7 are you there", "receipt "+to+">N0QRC-7 7")
						same(t, "left open", c.open())
					})
				})
			}
		}
	}
}

// A misspelt mail address is no answer: whoever wrote last would get, and acknowledge, what
// was meant for somebody else.
func TestMisspeltMailAddressIsNoAnswer(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", alder)
		w.says("hill", birch, alder, "1", "where do we meet")
		w.ack("valley", w.gets("valley", soon))
		w.gets("hill", soon)
		for _, text := range []string{"ann@ club.example hello", "ann@club hello", "@N0QRD-9 hello"} {
			w.says("valley", alder, "POST", text, text)
			w.want(w.gets("valley", soon), `notice N0QRZ-10>`+alder+` not taken: begin with a call sign or mail address (no-route). "`+text+`"`)
		}
		w.silent("hill", time.Minute)
		w.says("valley", alder, "POST", "7", "at the bridge @ 5")
		w.want(w.gets("hill", soon), "text "+alder+">"+birch+" at the bridge @ 5")
	})
}

// The same to a mailbox, which may then write to the station.
func TestAnswerToAMailThatTheSecondHears(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley, first := c.airs["valley"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		first.links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "m1", "are you there"))
		time.Sleep(10 * time.Second)
		valley.deafen("N0QRA-10", true)
		valley.says(alder, "POST", "7", "yes, I am")
		valley.deafen("N0QRA-10", false)
		time.Sleep(10 * time.Minute)
		once(t, "mails", c.mails(), "yes, I am")
		same(t, "alder", valley.told(alder), "text ann@club.example>N0QRC-7 are you there", "receipt POST>N0QRC-7 7")
		if !first.bridge.MayAnswer("ann@club.example", alder, time.Hour) {
			t.Error("ann may not answer")
		}
		same(t, "left open", c.open())
	})
}

// The transmitter is gone before it was handed the answer. The other one takes its place
// and knows whom the station means if it gave it that; else it says so.
func TestAnswerWhenTheTransmitterIsGone(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		hill.says(birch, alder, "1", "are you there")
		time.Sleep(10 * time.Second)
		c.posts["N0QRA-10"].shut()
		valley.says(alder, "POST", "7", "yes, I am")
		time.Sleep(5 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		once(t, "alder", valley.told(alder), "not delivered to POST: no-route: begin with a call sign or mail address")
		valley.says(alder, "POST", "8", birch+" yes, I am")
		time.Sleep(time.Minute)
		once(t, "birch", hill.told(birch), "yes, I am")
		hill.says(birch, alder, "2", "fine")
		time.Sleep(10 * time.Second)
		valley.says(alder, "POST", "9", "thanks")
		time.Sleep(time.Minute)
		once(t, "birch", hill.told(birch), "text N0QRC-7>N0QRD-9 thanks")
		c.posts["N0QRA-10"].start()
		time.Sleep(time.Minute)
		same(t, "left open", c.open())
	})
}

// The other one has only handed the transmitter a text for the station, which was never
// given it: it does not know whom the station means.
func TestAnswerOfAStationThatWasGivenNothing(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(alder)
		valley.beacon(near)
		time.Sleep(time.Minute)
		valley.deafen("N0QRA-10", true)
		valley.says(near, alder, "1", "are you there") // alder does not hear that
		time.Sleep(70 * time.Second)
		same(t, "N0QRB-10", c.posts["N0QRB-10"].outcomes("are you there"), "open:passed")
		c.posts["N0QRA-10"].shut()
		valley.says(alder, "POST", "7", "all well at the camp")
		time.Sleep(5 * time.Minute)
		same(t, "near", valley.told(near))
		once(t, "alder", valley.told(alder), "not delivered to POST: no-route: begin with a call sign or mail address")
	})
}

// The transmitter does not hear the answer, and gives the station another text before it is
// handed that: the station meant whom it had read.
func TestAnswerIsForNobodyWhoWroteAfterIt(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		hill.says(birch, alder, "1", "are you there")
		time.Sleep(10 * time.Second)
		valley.deafen("N0QRA-10", true)
		valley.says(alder, "POST", "7", "yes, I am")
		valley.deafen("N0QRA-10", false)
		time.Sleep(30 * time.Second)
		hill.says(near, alder, "1", "do you hate me")
		time.Sleep(5 * time.Minute)
		same(t, "near", hill.told(near), "receipt N0QRC-7>N0QRG-5 1")
		once(t, "alder", valley.told(alder), "begin with a call sign or mail address")
		same(t, "left open", c.open())
	})
}

// What was handed to a transmitter that dies comes back, and its writer is told or its
// addressee found.
func TestAnswerHandedToATransmitterThatDies(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill, first := c.airs["valley"], c.airs["hill"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		first.links["valley"].Down("the broker is gone")
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		hill.says(birch, alder, "1", "are you there") // the second gives it
		time.Sleep(10 * time.Second)
		first.links["valley"].Up()
		c.posts["N0QRB-10"].restart()
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		c.wire.spoil(func() { c.wire.lose = func(to string, e *event) bool { return to == "N0QRA-10" && e.kind == "text" } })
		valley.deafen("N0QRA-10", true)
		valley.says(alder, "POST", "7", "yes, I am")
		time.Sleep(90 * time.Second)
		first.shut()
		time.Sleep(5 * time.Minute)
		first.start()
		time.Sleep(5 * time.Minute)
		once(t, "birch", hill.told(birch), "yes, I am")
		once(t, "alder", valley.told(alder), "receipt POST>N0QRC-7 7")
		same(t, "left open", c.open())
	})
}

// The gateway that has mailed an answer is handed a copy by one that transmits now: it has
// the same gateway in mind, whoever found the addressee.
func TestAnswerThatComesAgainForTheMailLink(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley mail", "N0QRB-10 valley", "N0QRD-10 valley", "N0QRE-10 hill mail"}, func(t *testing.T, c *country) {
		valley, first := c.airs["valley"], c.posts["N0QRA-10"]
		valley.beacon(alder)
		c.posts["N0QRE-10"].links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "m1", "are you there"))
		time.Sleep(10 * time.Second)
		valley.deafen("N0QRD-10", true)
		valley.deafen("N0QRB-10", true)
		valley.says(alder, "POST", "7", "yes, I am")
		time.Sleep(10 * time.Second)
		first.links["valley"].Down("the broker is gone")
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		valley.deafen("N0QRD-10", false)
		valley.deafen("N0QRB-10", false)
		c.posts["N0QRE-10"].links["post"].Hear(t.Context(), textFrom("ann@club.example", alder, "m2", "are you still there"))
		time.Sleep(10 * time.Second)
		valley.says(alder, "POST", "7", "yes, I am")
		time.Sleep(10 * time.Minute)
		once(t, "mails", c.mails(), "yes, I am")
		same(t, "left open", c.open())
	})
}

// A gateway that has just started does not know yet that the addressee is a gateway beside
// it. Without an id it cannot tell by that either that it has what is handed to it.
func TestTextToAGatewayThatIsNotKnownYet(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 valley mail"}, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(alder)
		time.Sleep(69 * time.Second)
		c.wire.empty() // its broker has forgotten who is there; the other says so in 2 s
		c.posts["N0QRB-10"].restart()
		valley.says(alder, "N0QRA-10", "", "ann@club.example yes, I am")
		time.Sleep(20 * time.Second)
		once(t, "mails", c.mails(), "yes, I am")
		c.posts["N0QRA-10"].shut()
		time.Sleep(10 * time.Minute)
		once(t, "mails", c.mails(), "yes, I am")
	})
}

// A gateway that has just started does not know yet that a text is written to another
// gateway of its mesh. Once it has read whom it is for, it is the same text that the other
// one took, sent, and hands over when it is back.
func TestTextToAGatewayThatIsNotKnownYetGoesOnce(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley, a, b := c.airs["valley"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		valley.beacon(birch)
		valley.silence(birch, true)
		a.shut()
		time.Sleep(2 * time.Minute)
		valley.says(alder, "N0QRB-10", "1", birch+" hello")
		time.Sleep(10 * time.Second)
		c.wire.sever("N0QRA-10", true)
		a.start()
		if _, err := a.links["valley"].Hear(t.Context(), textFrom(alder, "N0QRB-10", "1", birch+" hello")); err != nil { // its broker had kept it
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		c.wire.sever("N0QRA-10", false)
		time.Sleep(5 * time.Second)
		b.shut()
		time.Sleep(3 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		b.start()
		time.Sleep(15 * time.Minute)
		valley.silence(birch, false)
		valley.beacon(birch)
		time.Sleep(20 * time.Minute)
		same(t, "frame ids", valley.ids(birch), valley.first().ID)
		// Both gateways had the text, and one confirms to the other what it was handed: alder may
		// hear the same twice.
		told := slices.Compact(valley.told(alder))
		once(t, "alder", told, "receipt N0QRB-10>N0QRC-7 1")
		same(t, "by the first", a.outcomes("hello"), "delivered")
		same(t, "left open", c.open())
	})
}

// Nor is it another text where the gateway has it from before its start.
func TestTextToAGatewayThatIsNotKnownYetIsKnownFromBefore(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley, a, b := c.airs["valley"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		valley.beacon(birch)
		b.shut()
		valley.says(alder, "N0QRB-10", "1", birch+" hello")
		time.Sleep(5 * time.Minute)
		a.shut()
		c.wire.sever("N0QRA-10", true)
		a.start()
		if _, err := a.links["valley"].Hear(t.Context(), textFrom(alder, "N0QRB-10", "1", birch+" hello")); err != nil { // its broker had kept it
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		c.wire.sever("N0QRA-10", false)
		time.Sleep(10 * time.Minute)
		once(t, "birch", valley.told(birch), "hello")
		same(t, "by the first", a.outcomes("hello"), "delivered")
	})
}
