package bridge_test

import (
	"slices"
	"testing"
	"time"

	"posthouse/bridge/desk"
)

func TestMeshBrokerDeadAtTheTransmitterWhileItsTrunkLives(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		time.Sleep(time.Minute)
		c.posts["N0QRA-10"].links["valley"].Down("the broker is gone")
		hill.says(birch, alder, "1", "hello")
		time.Sleep(2 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		once(t, "alder", valley.told(alder), "hello")
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
		once(t, "alder", valley.told(alder), "receipt N0QRD-9>N0QRC-7 1")
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
		once(t, "birch", hill.told(birch), "during the split")
		once(t, "alder", valley.told(alder), "to the split mesh")
		if n := count(valley.told(alder), "receipt"); n < 1 || n > 2 {
			t.Errorf("alder was told %q", valley.told(alder))
		}
		same(t, "left open", c.open())
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
		once(t, "alder", valley.told(alder), "to a full one")
		once(t, "birch", hill.told(birch), "from a full one")
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

// The transmitter's disk fails: it cannot keep what it hears, so another gateway of the
// mesh transmits until it can.
func TestBrokenDiskAnotherGatewayTransmits(t *testing.T) {
	inCountry(t, threeGateways, func(t *testing.T, c *country) {
		valley, hill := c.airs["valley"], c.airs["hill"]
		valley.beacon(alder)
		hill.beacon(birch)
		c.posts["N0QRA-10"].broken.Store(true)
		hill.says(birch, alder, "1", "to a broken one")
		valley.says(alder, birch, "1", "from a broken one")
		time.Sleep(5 * time.Minute)
		same(t, "transmitter", c.transmitter("valley"), "N0QRB-10")
		once(t, "alder", valley.told(alder), "to a broken one")
		once(t, "birch", hill.told(birch), "from a broken one")
		c.posts["N0QRA-10"].broken.Store(false)
		time.Sleep(20 * time.Minute)
		same(t, "left open", c.open())
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
				once(t, "mails", c.mails(), "all well")
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
