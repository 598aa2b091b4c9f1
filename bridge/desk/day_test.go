package desk

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The median of any delays is within its class of the true one (nearest rank),
// and how they were split over slots does not matter.
func TestMedianIsNearTheTrueOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(rapid.Float64Range(0, 600000), 1, 200).Draw(t, "seconds")
		var one, other, both Delays
		for i, s := range all {
			each := &one
			if i%3 == 0 {
				each = &other
			}
			each.Note(time.Duration(s * float64(time.Second)))
		}
		both.Merge(one)
		both.Merge(other)
		slices.Sort(all)
		want := all[(len(all)+1)/2-1]
		got := *both.Median()
		if math.Abs(got-want) > 1 && (got < want/1.5 || got > want*1.5) {
			t.Fatalf("median %v, want about %v of %v", got, want, all)
		}
		if both.N() != len(all) || math.Abs(both.Max-all[len(all)-1]) > 1e-6 {
			t.Fatalf("%d delays up to %v, want %d up to %v", both.N(), both.Max, len(all), all[len(all)-1])
		}
	})
}

func TestNoDelayHasNoMedian(t *testing.T) {
	if m := new(Delays).Median(); m != nil {
		t.Errorf("%v", *m)
	}
}
