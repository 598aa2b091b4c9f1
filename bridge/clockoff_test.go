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
