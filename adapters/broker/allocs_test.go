//go:build !race

package broker

import (
	"testing"

	"posthouse/bridge/link"
)

// What reading and writing one message may allocate: what is more was not meant.
func TestAllocationsOfAMessage(t *testing.T) {
	c := testCodec(t)
	in := packet{payload: []byte(`{"id":"4f2a","from":"N0QRA-7","to":"N0QRB-9","text":"all well at the north camp, water and food for two days","lat":46.5,"lon":-122.9}`)}
	out := link.Frame{Message: text("hello"), Text: "hello", ID: "4f2a9"}
	for _, c := range []struct {
		what string
		most float64
		do   func() error
	}{
		{"decode", 40, func() error { _, err := c.decode(in); return err }},
		{"encode", 10, func() error { _, err := c.encode(out); return err }},
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
