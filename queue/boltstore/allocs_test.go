//go:build !race

package boltstore

import (
	"testing"
)

// What reading and writing one message may allocate: what is more was not meant.
func TestAllocationsOfAMessage(t *testing.T) {
	r := sample(1)
	payload, err := encode(r)
	if err != nil {
		t.Fatal(err)
	}
	sealed := isRecord.seal(recordKey(9), payload, 1)
	for _, c := range []struct {
		what string
		most float64
		do   func() error
	}{
		{"write a record", 4, func() error { _, err := encode(r); return err }},
		{"read a record", 25, func() error { _, err := openRecord(9, sealed); return err }},
		{"file it in the schedule", 4, func() error { entries(r); return nil }},
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
