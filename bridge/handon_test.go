package bridge_test

import (
	"testing"
	"time"

	"posthouse/bridge/message"
)

// The transmitter of a mesh has no mail link, another gateway of the mesh has. It
// may have heard the text itself, before it is handed over or not at all.
func TestTransmitterHandsOnByTheLinkOfAnotherGatewayOfItsMesh(t *testing.T) {
	for _, deaf := range []bool{false, true} {
		t.Run(map[bool]string{false: "both heard it", true: "only the transmitter heard it"}[deaf], func(t *testing.T) {
			inCountry(t, []string{"N0QRA-10 valley", "N0QRB-10 valley mail"}, func(t *testing.T, c *country) {
				valley := c.airs["valley"]
				valley.deafen("N0QRB-10", deaf)
				valley.says(alder, "ann@club.example", "1", "good morning")
				time.Sleep(10 * time.Minute)
				once(t, "ann", c.posts["N0QRB-10"].went("post"), "good morning")
				same(t, "alder", valley.told(alder), "receipt ann@club.example>N0QRC-7 1")
				same(t, "left open", c.open())
			})
		})
	}
}

func TestOnlyTheTransmitterTellsOfARefusal(t *testing.T) {
	inCountry(t, twoOnOneMesh, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.appears(alder)
		valley.heardBy(t.Context(), message.Message{Kind: message.Text, From: alder, To: birch, OriginID: "1", Text: "secret", Encrypted: true}, "")
		time.Sleep(10 * time.Minute)
		if got := valley.told(alder); len(got) != 1 || count(got, "looks-encrypted") != 1 {
			t.Errorf("alder was told %q", got)
		}
	})
}
