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

// A sliding window, told simply: one more is allowed as long as fewer than N of those
// allowed lie within Per. And no more are remembered than ever lay within one Per.
func TestRateIsASlidingWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := Limit{N: rapid.IntRange(1, 8).Draw(t, "n"), Per: time.Minute}
		rate := NewRate(limit)
		var allowed []clock.Age
		within := func(now clock.Age) (n int) {
			for _, at := range allowed {
				if now.Sub(at) < limit.Per {
					n++
				}
			}
			return n
		}
		now, most := clock.Age(0), 0
		for range rapid.IntRange(1, 60).Draw(t, "asks") {
			now = now.Add(time.Duration(rapid.IntRange(0, 40).Draw(t, "seconds")) * time.Second)
			want := within(now) < limit.N
			if got := rate.Allow("N0QRA-7", now); got != want {
				t.Fatalf("at %v after %v: allowed %v", now, allowed, got)
			}
			if want {
				allowed = append(allowed, now)
			}
			most = max(most, within(now))
			if kept := len(rate.find("N0QRA").at); kept > most {
				t.Fatalf("%d times are remembered, and at most %d lay within %v", kept, most, limit.Per)
			}
		}
	})
}
