package bridge_test

import (
	"strings"
	"testing"
	"time"
)

// Two gateways of a mesh start at once, after a power failure, and listen first. A text that
// both refuse meanwhile is not lost without a word: whoever transmits then tells, once.
func TestRefusedWhileNobodyTransmits(t *testing.T) {
	alert := " ALERT_TO=duty@county.example"
	inCountry(t, []string{twoOnOneMesh[0] + alert, twoOnOneMesh[1] + alert}, func(t *testing.T, c *country) {
		valley, a, b := c.airs["valley"], c.posts["N0QRA-10"], c.posts["N0QRB-10"]
		a.shut()
		b.restart()
		a.start()
		time.Sleep(time.Second)
		valley.says(alder, "POST", "1", birch)
		valley.says(birch, alder, "2", "EMERGENCY"+strings.Repeat(" broken leg", 2000))
		time.Sleep(10 * time.Second)
		same(t, "told before anybody transmits", valley.told(alder))
		time.Sleep(65 * time.Second)
		once(t, "alder", valley.told(alder), "not taken: nothing after the address")
		once(t, "birch", valley.told(birch), "not taken: ")
		once(t, "duty", append(a.went("post"), b.went("post")...), "EMERGENCY from "+birch+" NOT TAKEN")
		first := a
		if count(valley.told(alder), "notice "+b.call) > 0 {
			first = b
		}
		if err := first.bridge.Quiet(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(30 * time.Second)
		valley.says(alder, "POST", "3", birch) // the other is told of it, and of nothing else
		time.Sleep(10 * time.Second)
		if n := count(valley.told(alder), "not taken"); n != 2 {
			t.Errorf("when another gateway transmits alder has been told %q", valley.told(alder))
		}
	})
}
