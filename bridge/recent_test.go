package bridge_test

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"posthouse/bridge/desk"
)

// The latest messages are the end of the log, the newest first.
func TestRecentIsTheEndOfTheLog(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		if lines, err := w.bridge.Recent(t.Context(), 10); err != nil || len(lines) != 0 {
			t.Errorf("of an empty log: %v, %v", lines, err)
		}
		for range 4 {
			w.traffic(rand.New(rand.NewPCG(6, 6)), 5)
			all := w.logOf(desk.Span{})
			for _, n := range []int{1, 3, len(all), len(all) + 50} {
				got, err := w.bridge.Recent(t.Context(), n)
				want := slices.Clone(all[len(all)-min(n, len(all)):])
				slices.Reverse(want)
				for i := range want {
					want[i].Steps = nil
				}
				if err != nil || !reflect.DeepEqual(got, want) {
					t.Fatalf("the latest %d of %d: %v\ngot  %+v\nwant %+v", n, len(all), err, got, want)
				}
			}
		}
	})
}
