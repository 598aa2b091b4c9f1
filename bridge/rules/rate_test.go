package rules

import (
	"testing"
	"time"

	"posthouse/bridge/clock"

	"pgregory.net/rapid"
)

// What is given back was never taken: a Rate that was asked more, and given that
// back at once, goes on as one that was not.
func TestRateGivenBackIsAsIfNeverAsked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := Limit{N: rapid.IntRange(1, 5).Draw(t, "n"), Per: time.Minute}
		plain, other := NewRate(limit), NewRate(limit)
		now := clock.Age(0)
		for range rapid.IntRange(1, 40).Draw(t, "asks") {
			now = now.Add(time.Duration(rapid.IntRange(0, 40).Draw(t, "seconds")) * time.Second)
			given := 0
			for range rapid.IntRange(0, 3).Draw(t, "in vain") {
				if other.Allow("N0QRA-7", now) {
					given++
				}
			}
			for range given {
				other.GiveBack("N0QRA-9")
			}
			if want, got := plain.Allow("N0QRA", now), other.Allow("N0QRA", now); want != got {
				t.Fatalf("at %v: allowed %v, without the tries in vain %v", now, got, want)
			}
		}
	})
}
