//go:build !race

package envelope

import (
	"testing"
)

// What reading and writing one message may allocate: what is more was not meant.
func TestAllocationsOfAMessage(t *testing.T) {
	e := hello()
	wire, trust, want := seal(t, keyA, e), trustAB(t), wantB(t, e.Topic)
	line := []byte(keyA.Public().JWK(gatewayA))
	for _, c := range []struct {
		what string
		most float64
		do   func() error
	}{
		{"open", 650, func() error { _, err := Open(wire, trust, want); return err }},
		{"seal", 45, func() error { _, err := Seal(keyA, e); return err }},
		{"a line of the trust file", 125, func() error { _, err := ParseTrust(line); return err }},
	} {
		got := testing.AllocsPerRun(100, func() {
			if err := c.do(); err != nil {
				t.Fatal(err)
			}
		})
		if got > c.most {
			t.Errorf("%s: %g allocations, want at most %g", c.what, got, c.most)
		}
	}
}
