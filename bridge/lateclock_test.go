package bridge_test

import (
	"testing"
	"time"

	"posthouse/queue"
)

// A small computer without a battery starts with a clock that nobody has set. What
// it takes before it learns how long it was off keeps its whole lifetime.
func TestWhatCameBeforeTheClockWasSetKeepsItsLifetime(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		time.Sleep(time.Minute)
		w.shut()
		time.Sleep(72 * time.Hour)
		w.unsure.Store(true)
		w.start()
		v := w.says("valley", alder, birch, "1", "all well")
		time.Sleep(30 * time.Second)
		w.unsure.Store(false)
		time.Sleep(time.Minute)
		if d := w.record(v.ID).Deliveries[0]; d.State != queue.Held {
			t.Errorf("after a minute it is %s", d.State)
		}
		w.beacon("hill", birch)
		w.want(w.gets("hill", time.Minute), "text N0QRC-7>N0QRD-9 all well")
	})
}

// What waited meanwhile is older by the time off, where the clock is right from
// the start.
func TestTimeOffCountsWhenTheClockIsRight(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", alder, birch, "1", "all well")
		time.Sleep(time.Minute)
		w.shut()
		time.Sleep(72 * time.Hour)
		w.start()
		time.Sleep(time.Minute)
		if got := w.record(v.ID).Outcome; got != queue.Expired {
			t.Errorf("after three days it is %q", got)
		}
	})
}
