package bridge_test

import (
	"testing"
	"time"
)

func TestTwoGatewaysWithMailLinksOneMail(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		c.airs["valley"].says(alder, "ann@club.example", "1", "all well")
		time.Sleep(10 * time.Minute)
		once(t, "mails", c.mails(), "all well")
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
				once(t, "mails", c.mails(), "all well")
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
		once(t, "mails", c.mails(), "all well")
		same(t, "alder", c.airs["valley"].told(alder), "receipt ann@club.example>N0QRC-7 1")
		c.posts["N0QRA-10"].start()
		time.Sleep(10 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
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
		once(t, "birch", valley.told(birch), "hello")
		once(t, "alder", valley.told(alder), "receipt N0QRD-9>N0QRC-7 1")
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
		once(t, "mails", c.mails(), "all well")
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
				once(t, "alder", valley.told(alder), "hello")
				once(t, "all", valley.told("ALL"), "net at eight")
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
