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

// So it does when the power fails before the clock is set.
func TestWhatCameBeforeTheClockWasSetOutlivesAPowerCut(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		time.Sleep(time.Minute)
		w.shut()
		time.Sleep(72 * time.Hour)
		w.unsure.Store(true)
		w.start()
		v := w.says("valley", alder, birch, "1", "all well")
		w.broken.Store(true)
		w.shut()
		w.broken.Store(false)
		w.unsure.Store(false)
		w.start()
		time.Sleep(time.Minute)
		if d := w.record(v.ID).Deliveries[0]; d.State != queue.Held {
			t.Errorf("after a minute it is %s", d.State)
		}
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

// Each start adds the time off to the age. Counted in whole seconds it would be some of a
// second too much each time, and after many starts lifetimes would end early.
func TestManyRestartsAddNoAge(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", alder, birch, "1", "all well")
		began, lifetime := time.Now(), w.record(v.ID).Until.Sub(w.record(v.ID).Accepted.Age)
		for range 20 {
			time.Sleep(1900 * time.Millisecond)
			w.restart()
		}
		time.Sleep(lifetime - 5*time.Second - time.Since(began))
		if r := w.record(v.ID); !r.Open() {
			t.Errorf("%s 5 seconds before its lifetime is over", r.Outcome)
		}
	})
}
