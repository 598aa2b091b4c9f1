package bridge_test

import (
	"testing"
	"time"

	"posthouse/bridge/link"
)

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

func TestRefusalThatOnlyTheSecondGatewayHears(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		valley.silence(alder, true)
		time.Sleep(time.Minute)
		hill.says(birch, alder, "1", "hello")
		time.Sleep(10 * time.Second)
		c.posts["N0QRB-10"].links["valley"].Nak(t.Context(), valley.first())
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
				valley.beacon(near)
				valley.beacon(alder)
				time.Sleep(time.Minute)
				valley.deafen("N0QRA-10", hears == "both")
				valley.says(near, alder, "7", "over the fence")
				valley.deafen("N0QRA-10", true)
				time.Sleep(5 * time.Second)
				valley.acks(alder, near, "7")
				time.Sleep(30 * time.Minute)
				same(t, "transmitted", append(valley.told(alder), valley.told(near)...))
				same(t, "left open", c.open())
			})
		})
	}
}

// A node that was reset writes under a used id. The ack of what had it before ends nothing.
func TestUsedIDOfStationsThatOnlyTheSecondGatewayHears(t *testing.T) {
	for _, later := range []time.Duration{4 * time.Minute, 90 * time.Second, 10 * time.Second} {
		inCountry(t, threeGateways, func(t *testing.T, c *country) {
			valley := c.airs["valley"]
			valley.beacon(near)
			valley.beacon(alder)
			time.Sleep(time.Minute)
			valley.deafen("N0QRA-10", true)
			valley.says(near, alder, "7", "over the fence")
			time.Sleep(5 * time.Second)
			valley.acks(alder, near, "7")
			time.Sleep(later)
			valley.says(near, alder, "7", "the roof is off")
			time.Sleep(15 * time.Minute)
			valley.deafen("N0QRA-10", false)
			valley.beacon(alder)
			time.Sleep(time.Minute)
			same(t, "alder", valley.told(alder), "text N0QRG-5>N0QRC-7 the roof is off")
		})
	}
}

// The second gateway hears a text only as it is repeated: the ack that it has heard before
// is for that text, as far as it knows.
func TestAckThatWasHeardBeforeItsText(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(near)
		valley.beacon(alder)
		time.Sleep(time.Minute)
		valley.deafen("N0QRA-10", true)
		valley.acks(alder, near, "7")
		time.Sleep(10 * time.Second)
		valley.says(near, alder, "7", "over the fence")
		time.Sleep(15 * time.Minute)
		same(t, "alder", valley.told(alder))
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
		c.posts["N0QRA-10"].host(c).TakenBy(link.Taken{Mesh: "valley", Gateway: "N0QRE-10", Acks: []link.Ack{{Station: alder, To: birch, ID: valley.first().ID}}})
		time.Sleep(10 * time.Second)
		same(t, "N0QRA-10", c.posts["N0QRA-10"].outcomes("hello"), "open:later")
		same(t, "birch", hill.told(birch))
	})
}
