package bridge_test

import (
	"fmt"
	"testing"
	"time"
)

var twoAndAnotherOfMine = []string{"N0QRA-10 valley coast", "N0QRB-10 hill"}

// While a text waits for a link that is down, its addressee turns up elsewhere.
func TestStationRoamsWhileATextWaitsForALinkThatIsDown(t *testing.T) {
	for _, to := range []string{"hill", "coast"} { // behind the trunk, and on another mesh of the gateway
		for _, begun := range []bool{false, true} {
			t.Run(to+map[bool]string{true: ", sent once"}[begun], func(t *testing.T) {
				inCountry(t, twoAndAnotherOfMine, func(t *testing.T, c *country) {
					valley, a := c.airs["valley"], c.posts["N0QRA-10"]
					valley.beacon(birch)
					valley.silence(birch, true)
					if !begun {
						a.links["valley"].Down("the broker is gone")
					}
					c.airs["coast"].says(alder, birch, "1", "where are you")
					time.Sleep(20 * time.Second)
					a.links["valley"].Down("the broker is gone")
					time.Sleep(10 * time.Minute)
					c.airs[to].beacon(birch)
					time.Sleep(3 * time.Minute)
					once(t, "birch", c.airs[to].told(birch), "where are you")
					once(t, "alder", c.airs["coast"].told(alder), "receipt")
					a.links["valley"].Up()
					time.Sleep(20 * time.Minute)
					want := map[bool]int{false: 0, true: 1}[begun]
					if n := count(valley.told(birch), "where are you"); n != want {
						t.Errorf("on the valley mesh it was told %q", valley.told(birch))
					}
					same(t, "left open", c.open())
				})
			})
		}
	}
}

// A text that waits behind others on a slow channel does not go out there when
// its addressee has been heard elsewhere.
func TestStationRoamsWhileATextWaitsForItsTurn(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley coast VALLEY_SF=12 VALLEY_BW=125 VALLEY_CR=4/5 VALLEY_AIRTIME=2", "N0QRB-10 hill"}, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(birch)
		for i := range 30 {
			c.airs["coast"].says(alder, birch, string(rune('a'+i)), "text "+string(rune('a'+i)))
		}
		time.Sleep(20 * time.Minute)
		before := count(valley.told(birch), "text")
		if before == 0 || before == 30 {
			t.Fatalf("%d of 30 went out in 20 minutes", before)
		}
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Hour)
		if n := count(c.airs["hill"].told(birch), "text"); n < 30-before-1 {
			t.Errorf("%d on the hill, %d in the valley", n, count(valley.told(birch), "text"))
		}
		same(t, "left open", c.open())
	})
}

// A text is on the air for a station that has left: when its tries are over it
// goes where the station was heard meanwhile, without being heard once more.
func TestStationRoamsWhileItsAckIsAwaited(t *testing.T) {
	inCountry(t, twoAndAnotherOfMine, func(t *testing.T, c *country) {
		valley, coast := c.airs["valley"], c.airs["coast"]
		valley.beacon(birch)
		valley.silence(birch, true)
		c.airs["hill"].says(alder, birch, "1", "where are you")
		time.Sleep(3 * time.Minute)
		coast.beacon(birch)
		time.Sleep(30 * time.Minute)
		if n := count(coast.told(birch), "where are you"); n != 1 {
			t.Errorf("on the coast birch was told %q", coast.told(birch))
		}
		same(t, "left open", c.open())
	})
}

// Texts that wait on a link that works, for their acks or their turn, are not read again
// and again: a small computer has other things to do.
func TestWhatWaitsOnALinkThatWorksIsLeftAlone(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_HILL_ACK_WAIT=2h"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		for i := range 10 {
			w.says("valley", "N0QRA-7", "N0QRB-9", fmt.Sprint(i), fmt.Sprintf("text %d", i))
		}
		time.Sleep(10 * time.Minute) // each is looked at once, when it is 5 minutes old
		before := w.read.Load() + w.listed.Load()
		time.Sleep(20 * time.Minute)
		if n := w.read.Load() + w.listed.Load() - before; n > 0 {
			t.Errorf("10 texts that wait for their acks had %d records read in 20 minutes", n)
		}
	})
}

// A text is left to the transmitter of its mesh, whose store is full, and who stands by
// then. Who transmits in its place does not go on offering it for a quarter of an hour.
func TestTextLeftToATransmitterThatIsFull(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		c.airs["hill"].beacon(birch)
		time.Sleep(time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRA-10")
		c.posts["N0QRA-10"].full.Store(true)
		c.airs["valley"].deafen("N0QRA-10", true)
		c.airs["valley"].says(alder, birch, "1", "hello")
		time.Sleep(5 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		same(t, "birch", c.airs["hill"].told(birch), "text N0QRC-7>N0QRD-9 hello")
		once(t, "alder", c.airs["valley"].told(alder), "receipt N0QRD-9>N0QRC-7 1")
		same(t, "left open", c.open())
	})
}
