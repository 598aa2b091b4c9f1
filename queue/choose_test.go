package queue_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

func TestOrderIsKeptInEachLane(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 7}, func(t *testing.T, r *rig) {
		for i := range 50 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
			r.writes(routine, "N0QRA", "N0QRY", fmt.Sprint("b ", i))
			r.writes(routine, "N0QRB", "N0QRX", fmt.Sprint("c ", i))
		}
		r.start()
		for i := range 50 {
			r.writes(routine, "N0QRB", "N0QRX", fmt.Sprint("c ", 50+i))
		}
		time.Sleep(time.Minute)
		r.wantOrder("a", 50)
		r.wantOrder("b", 50)
		r.wantOrder("c", 100)
	})
}

func TestPrecedenceFirstThenATurnForEachSender(t *testing.T) {
	inRig(t, queue.CourierOptions{}, func(t *testing.T, r *rig) {
		for i := range 4 {
			r.writes(routine, "N0QRA", fmt.Sprint("TO", i), fmt.Sprint("a", i)) // one sender in four lanes
		}
		r.writes(routine, "N0QRB", "N0QRX", "b0")
		r.writes(routine, "N0QRB", "N0QRX", "b1")
		r.writes(message.Welfare, "N0QRC", "N0QRX", "w")
		r.writes(message.Emergency, "N0QRC", "N0QRX", "e")
		r.writes(message.Priority, "N0QRC", "N0QRX", "p")
		r.start()
		time.Sleep(time.Second)
		r.wantCarried("e", "p", "w", "a0", "b0", "a1", "b1", "a2", "a3")
	})
}

func TestEmergencyGoesBetweenTheParts(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 64, Paced: true}, func(t *testing.T, r *rig) {
		parts := 0
		r.carrier.takes = func(queue.Job) time.Duration { return 10 * time.Second }
		r.carrier.does = func(j queue.Job) queue.Outcome {
			if parts++; j.Record.Message.Text == "long" && parts < 3 {
				return queue.Outcome{Again: true, Change: func(*queue.Record) ([]*queue.Record, error) { return nil, nil }}
			}
			return sent(j)
		}
		r.writes(routine, "N0QRA", "N0QRX", "long")
		r.writes(routine, "N0QRA", "N0QRX", "next")
		r.start()
		time.Sleep(5 * time.Second)
		r.writes(message.Emergency, "N0QRB", "N0QRX", "fire")
		time.Sleep(time.Minute)
		r.wantCarried("long", "fire", "long", "next")
	})
}

// What the pace let go is spent only when it is carried: of two jobs in one call
// the second would be judged by air that the first has taken.
func TestAPacedCourierCarriesOneAtATime(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 64, Paced: true}, func(t *testing.T, r *rig) {
		air := 3
		r.carrier.pace = func(*queue.Record) (time.Duration, bool) {
			if air > 0 {
				return 0, false
			}
			return time.Hour, false
		}
		r.carrier.does = func(j queue.Job) queue.Outcome { air--; return sent(j) }
		for i := range 10 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.start()
		time.Sleep(10 * time.Minute)
		r.wantOrder("a", 3)
		if r.carrier.most > 1 {
			t.Errorf("%d jobs in one call", r.carrier.most)
		}
	})
}

func TestWhoMustWaitForAirStepsAsideOnlyWhereItIsHisOwnShare(t *testing.T) {
	inRig(t, queue.CourierOptions{Paced: true}, func(t *testing.T, r *rig) {
		r.carrier.pace = func(rec *queue.Record) (time.Duration, bool) {
			if rec.Message.From == "N0QRA" {
				return time.Hour, true
			}
			return 0, false
		}
		r.writes(routine, "N0QRA", "N0QRX", "greedy")
		r.writes(routine, "N0QRB", "N0QRX", "modest")
		r.start()
		time.Sleep(time.Second)
		r.wantCarried("modest")
		r.carrier.pace = func(rec *queue.Record) (time.Duration, bool) {
			if rec.Message.Precedence == message.Priority {
				return time.Hour, false
			}
			return 0, false
		}
		r.writes(message.Priority, "N0QRC", "N0QRX", "large")
		r.writes(routine, "N0QRB", "N0QRX", "small")
		time.Sleep(time.Minute)
		r.wantCarried("modest") // the small ones would keep the large one waiting for ever
	})
}

func TestTemporaryErrorStopsItsLaneAndNoOther(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 4}, func(t *testing.T, r *rig) {
		failed, through := false, false
		r.carrier.does = func(j queue.Job) queue.Outcome {
			switch text := j.Record.Message.Text; {
			case text == "a 0" && !failed:
				failed = true
				return r.waits(j, 15*time.Second, false)
			case text == "a 0":
				through = true
			case strings.HasPrefix(text, "a ") && !through:
				return queue.Outcome{Again: true, Down: true} // the link went down in the middle of the batch
			}
			return sent(j)
		}
		for i := range 6 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.writes(routine, "N0QRB", "N0QRX", "b 0")
		r.start()
		time.Sleep(10 * time.Second)
		r.wantOrder("b", 1)
		r.carrier.forget()
		time.Sleep(time.Minute)
		r.wantOrder("a", 6)
	})
}

func TestResendHoldsNobodyBack(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 4}, func(t *testing.T, r *rig) {
		r.carrier.does = func(j queue.Job) queue.Outcome {
			if j.Record.Message.Text == "a 0" && j.Record.Deliveries[0].Attempts < 2 {
				return r.waits(j, 90*time.Second, true)
			}
			return sent(j)
		}
		for i := range 3 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i))
		}
		r.start()
		time.Sleep(time.Minute)
		r.wantOrder("a", 3)
		time.Sleep(time.Hour)
		r.wantCarried("a 0", "a 1", "a 2", "a 0", "a 0")
	})
}

func TestOneUnacknowledgedPerAddresseeAlsoAfterARestart(t *testing.T) {
	inRig(t, queue.CourierOptions{OnePerAddressee: true}, func(t *testing.T, r *rig) {
		r.carrier.does = func(j queue.Job) queue.Outcome { return r.waits(j, 10*time.Minute, true) }
		a := r.writes(routine, "N0QRA", "N0QRX", "a")
		r.writes(routine, "N0QRB", "N0QRX", "b")
		r.writes(routine, "N0QRB", "N0QRY", "c")
		r.start()
		time.Sleep(8 * time.Minute)
		r.wantCarried("a", "c")
		r.halt()
		r.close()
		r.open()
		r.start()
		time.Sleep(time.Minute)
		r.wantCarried("a", "c")
		acked := func(rec *queue.Record) ([]*queue.Record, error) {
			rec.Deliveries[0].State = queue.Delivered
			return nil, nil
		}
		if _, err := r.store.Apply(t.Context(), queue.Op{Seq: a, Change: acked}); err != nil {
			t.Fatal(err)
		}
		r.courier.Wake()
		time.Sleep(time.Second)
		r.wantCarried("a", "c", "b")
	})
}
