package bridge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// Who is blocked hears nothing. Who writes to somebody that is blocked is no nuisance, and
// would repeat it for ever.
func TestWriterHearsThatWhomHeWritesToIsBlocked(t *testing.T) {
	const want = `notice N0QRA-10>N0QRC-7 not taken: addressee is blocked by the operator (blocked). "hello"`
	gateways := []string{"N0QRA-10 valley BLOCK=" + birch, "N0QRB-10 valley", "N0QRE-10 hill"}
	t.Run("both hear it", func(t *testing.T) {
		inCountry(t, gateways, func(t *testing.T, c *country) {
			for range 3 {
				c.airs["valley"].says(alder, birch, "1", "hello")
				time.Sleep(40 * time.Second)
			}
			time.Sleep(time.Minute)
			same(t, "alder", c.airs["valley"].told(alder), want)
			c.airs["valley"].says(birch, alder, "1", "hello")
			time.Sleep(3 * time.Minute)
			same(t, "birch, who is blocked", c.airs["valley"].told(birch))
		})
	})
	t.Run("another gateway took it over", func(t *testing.T) {
		inCountry(t, gateways, func(t *testing.T, c *country) {
			c.airs["valley"].deafen("N0QRA-10", true)
			c.airs["valley"].says(alder, birch, "1", "hello")
			time.Sleep(3 * time.Minute)
			same(t, "alder", c.airs["valley"].told(alder), want)
			for n := range 8 { // more than the notices of an hour
				c.airs["valley"].says(alder, birch, fmt.Sprint(2+n), fmt.Sprint("and ", n))
			}
			time.Sleep(2 * time.Hour)
			told := c.airs["valley"].told(alder)
			if last := told[len(told)-1]; len(told) != 7 || !strings.HasSuffix(last, "And 2 others.") {
				t.Errorf("of nine texts alder was told %q", told)
			}
			same(t, "left open", c.open())
		})
	})
}
