//go:build !race

package aprsis

import (
	"testing"
)

// What reading and writing one message may allocate: what is more was not meant.
func TestAllocationsOfAMessage(t *testing.T) {
	message := "N0QRA-7>APZ001,WIDE1-1::N0QRB-1  :Hello{01"
	position := "=4903.50N/07201.75W>/A=001234 Test"
	frame := text("N0QRC-7", "N0QRB-9", "hello", "0A1B2")
	for _, c := range []struct {
		what string
		most float64
		do   func() error
	}{
		{"a packet", 2, func() error { _, err := ParsePacket(message); return err }},
		{"a message", 1, func() error { _, err := ParseText(message[len("N0QRA-7>APZ001,WIDE1-1:"):]); return err }},
		{"a position", 2, func() error { _, err := ParsePosition(position, noon); return err }},
		{"encode", 15, func() error { p, err := Encode(frame, gateway, 3); _ = p.String(); return err }},
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
