package queue_test

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/queue"
)

func TestLinkDownKeepsTheOrder(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 64}, func(t *testing.T, r *rig) {
		down := true
		r.carrier.does = func(j queue.Job) queue.Outcome {
			if down {
				return queue.Outcome{Again: true, Down: true}
			}
			return sent(j)
		}
		for i := range 5 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.start()
		r.carrier.closed.Store(true)
		time.Sleep(2 * time.Second)
		r.carrier.forget()
		down = false
		r.carrier.closed.Store(false)
		r.courier.Wake()
		time.Sleep(time.Minute)
		r.wantOrder("a", 5)
	})
}

func TestALinkThatSaysItIsDownIsNotAskedWithoutPause(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 64}, func(t *testing.T, r *rig) {
		n := 0
		r.carrier.does = func(queue.Job) queue.Outcome {
			if n++; n > 10000 {
				r.carrier.closed.Store(true) // or the bubble's time stands still
			}
			return queue.Outcome{Again: true, Down: true}
		}
		r.writes(routine, "N0QRA", "N0QRX", "hello")
		r.start()
		time.Sleep(time.Minute)
		if n := r.carrier.called(); n > 100 {
			t.Errorf("asked %d times in a minute", n)
		}
	})
}

func TestSeveralCallsAtOnceKeepTheOrderInALane(t *testing.T) {
	inRig(t, queue.CourierOptions{Parallel: 4}, func(t *testing.T, r *rig) {
		var n atomic.Int64
		r.carrier.takes = func(queue.Job) time.Duration { return time.Duration(n.Add(1)*7919%100) * time.Millisecond }
		at := map[string]time.Time{}
		var mu sync.Mutex
		r.carrier.does = func(j queue.Job) queue.Outcome {
			mu.Lock()
			defer mu.Unlock()
			at[j.Record.Message.Text] = time.Now()
			return sent(j)
		}
		for i := range 30 {
			for _, from := range []string{"a", "b", "c"} {
				r.writes(routine, from, "N0QRX", fmt.Sprint(from, " ", i))
			}
		}
		r.start()
		time.Sleep(time.Minute)
		for _, from := range []string{"a", "b", "c"} {
			r.wantOrder(from, 30)
			for i := 1; i < 30; i++ {
				if one, next := at[fmt.Sprint(from, " ", i-1)], at[fmt.Sprint(from, " ", i)]; !next.After(one) && one != next {
					t.Errorf("%s %d was through before the one in front of it", from, i)
				}
			}
		}
	})
}

func TestWhatPanicsIsPutAsideWithTheReason(t *testing.T) {
	inRig(t, queue.CourierOptions{}, func(t *testing.T, r *rig) {
		r.carrier.does = func(j queue.Job) queue.Outcome {
			if j.Record.Message.Text == "bad" {
				panic("index out of range")
			}
			return sent(j)
		}
		bad := r.writes(routine, "N0QRA", "N0QRX", "bad")
		r.writes(routine, "N0QRA", "N0QRX", "good")
		r.start()
		time.Sleep(time.Hour)
		r.wantCarried("bad", "good")
		if d := r.delivery(bad); d.State != queue.Parked || d.Error != "index out of range" {
			t.Errorf("%s, %q", d.State, d.Error)
		}
	})
}

// The end of a call may meet the end of the courier: what became of it is filed
// all the same, or it would go out once more after the next start.
func TestStopFilesWhatCameOfTheLastCalls(t *testing.T) {
	for range 20 { // which of the two is seen first is chance
		inRig(t, queue.CourierOptions{Parallel: 2}, func(t *testing.T, r *rig) {
			r.carrier.takes = func(queue.Job) time.Duration { return 10 * time.Second }
			a := r.writes(routine, "N0QRA", "N0QRX", "a")
			b := r.writes(routine, "N0QRB", "N0QRX", "b")
			r.start()
			time.Sleep(10 * time.Second)
			r.halt()
			r.close()
			r.open()
			for _, seq := range []uint64{a, b} {
				if d := r.delivery(seq); d.State != queue.Sent {
					t.Errorf("%d is %s", seq, d.State)
				}
			}
		})
	}
}

func TestLazilyFiledOutcomesAreNotCarriedAgain(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 4}, func(t *testing.T, r *rig) {
		r.writes(routine, "N0QRA", "N0QRX", "a 0")
		r.start()
		for i := 1; i < 40; i++ { // each write brings hints and new looks into the store
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
			r.courier.Wake()
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(time.Minute)
		r.wantOrder("a", 40)
	})
}

// An outcome that cannot be written is kept and written later: a mail that was
// taken must not be sent again and again because the disk is full.
func TestOutcomesThatCannotBeFiledStopTheCourierAndAreKept(t *testing.T) {
	inRig(t, queue.CourierOptions{}, func(t *testing.T, r *rig) {
		n := 0
		r.carrier.does = func(j queue.Job) queue.Outcome {
			if n++; n > 1000 {
				r.carrier.closed.Store(true)
			}
			out := ends(j, queue.Delivered)
			out.Urgent = true
			return out
		}
		a := r.writes(routine, "N0QRA", "N0QRX", "a 0")
		for i := 1; i < 5; i++ {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.store.fails.Store(true)
		r.start()
		time.Sleep(time.Hour)
		r.store.fails.Store(false)
		time.Sleep(time.Minute)
		r.wantOrder("a", 5)
		if d := r.delivery(a); d.State != queue.Delivered {
			t.Errorf("%s", d.State)
		}
	})
}
