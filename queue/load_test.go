package queue_test

import (
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/queue"
)

func TestManyLanesWhoseOldestMayNotGo(t *testing.T) {
	const blocked, free = 1500, 1000 // memory holds 1024 lanes
	for name, o := range map[string]queue.CourierOptions{
		"a sender has had his share":        {Paced: true},
		"an addressee has not acknowledged": {OnePerAddressee: true},
	} {
		t.Run(name, func(t *testing.T) {
			inRig(t, o, func(t *testing.T, r *rig) {
				r.carrier.pace = func(rec *queue.Record) (time.Duration, bool) {
					if rec.Message.From == "GREEDY" {
						return time.Hour, true
					}
					return 0, false
				}
				r.carrier.does = func(j queue.Job) queue.Outcome {
					if j.Record.Deliveries[0].To == "SILENT" {
						return r.waits(j, 100*time.Hour, true)
					}
					return sent(j)
				}
				var all []*queue.Record
				add := func(from, to, words string) {
					all = append(all, text(routine, from, to, words, queue.Ready))
				}
				for i := range blocked {
					if o.Paced {
						add("GREEDY", fmt.Sprint("TO", i), "blocked")
					} else {
						add(fmt.Sprint("FROM", i), "SILENT", "blocked")
					}
				}
				for i := range free {
					add(fmt.Sprint("F", i), fmt.Sprint("T", i), fmt.Sprint("a ", i))
				}
				for part := range slices.Chunk(all, 500) {
					r.writeAll(part...)
				}
				r.start()
				time.Sleep(2 * time.Minute)
				got := map[string]int{}
				for _, s := range r.carrier.carried() {
					got[s]++
				}
				delete(got, "blocked")
				if len(got) != free {
					t.Errorf("%d of %d went past those that may not go", len(got), free)
				}
				for s, n := range got {
					if n != 1 {
						t.Errorf("%s was carried %d times", s, n)
					}
				}
				r.writes(routine, "N0QRQ", "N0QRR", "late")
				time.Sleep(time.Minute)
				if all := r.carrier.carried(); all[len(all)-1] != "late" {
					t.Errorf("a new text waits behind those that may not go; the last was %q", all[len(all)-1])
				}
				before := r.store.reads.Load()
				time.Sleep(10 * time.Minute)
				if n := r.store.reads.Load() - before; n > 200_000 {
					t.Errorf("%d reads in ten idle minutes", n)
				}
			})
		})
	}
}

// Between two parts of a text whose first try had failed the store lists it as due: that
// time is over. It is still in its lane, and must not be a resend beside that.
func TestPartsOfATextWhoseFirstTryFailedGoOnce(t *testing.T) {
	inRig(t, queue.CourierOptions{Paced: true}, func(t *testing.T, r *rig) {
		var free time.Time
		r.carrier.pace = func(rec *queue.Record) (time.Duration, bool) {
			if rec.Message.From == "GREEDY" {
				return time.Hour, true // it steps aside, and those behind it are ranked anew
			}
			return max(0, time.Until(free)), false
		}
		r.carrier.does = func(j queue.Job) queue.Outcome {
			free = time.Now().Add(2 * time.Second)
			switch r.carrier.calls {
			case 1:
				return r.waits(j, 10*time.Second, false)
			case 2:
				return queue.Outcome{Again: true, Change: func(rec *queue.Record) ([]*queue.Record, error) {
					rec.Deliveries[j.Item.Delivery].Begun = true
					return nil, nil
				}}
			}
			return r.waits(j, time.Hour, true)
		}
		r.writes(routine, "GREEDY", "N0QRX", "blocked")
		r.writes(routine, "N0QRA", "N0QRX", "in two parts")
		r.start()
		time.Sleep(time.Minute)
		r.wantCarried("in two parts", "in two parts", "in two parts")
	})
}

// With many lanes waiting, only what is new is looked for at each choice. What is old
// and may go again is found all the same: soon, or at once if nothing else may go.
func TestOldTextsThatMayGoAgainWhileManyWait(t *testing.T) {
	const lanes, each = 100, 50
	inRig(t, queue.CourierOptions{Paced: true}, func(t *testing.T, r *rig) {
		var stopped atomic.Bool
		r.carrier.takes = func(queue.Job) time.Duration { return 10 * time.Millisecond }
		r.carrier.pace = func(rec *queue.Record) (time.Duration, bool) {
			if stopped.Load() && rec.Message.Text == "new" {
				return time.Hour, true
			}
			return 0, false
		}
		var all []*queue.Record
		add := func(from, words string, state queue.State) {
			all = append(all, text(routine, from, "ALL", words, state))
		}
		add("N0QRA", "first", queue.Parked)
		add("N0QRB", "second", queue.Parked)
		add("N0QRC", "third", queue.Parked)
		for i := range lanes * each {
			add(fmt.Sprint("F", i%lanes), "new", queue.Ready)
		}
		for part := range slices.Chunk(all, 500) {
			r.writeAll(part...)
		}
		release := func(seq uint64) {
			_, err := r.store.Apply(t.Context(), queue.Op{Seq: seq, Change: func(rec *queue.Record) ([]*queue.Record, error) {
				rec.Deliveries[0].State = queue.Ready
				return nil, nil
			}})
			if err != nil {
				t.Fatal(err)
			}
		}
		r.start()
		time.Sleep(10*time.Second + 5*time.Millisecond)
		release(1)
		time.Sleep(2 * time.Second)
		if got := r.carrier.carried(); !slices.Contains(got, "first") {
			t.Errorf("what is released waits behind %d that are new", len(got))
		}
		stopped.Store(true)
		time.Sleep(time.Minute)
		for i, text := range []string{"second", "third"} {
			release(uint64(2 + i))
			time.Sleep(100 * time.Millisecond)
			if got := r.carrier.carried(); got[len(got)-1] != text {
				t.Errorf("of %d carried the last is %q, want %q", len(got), got[len(got)-1], text)
			}
		}
	})
}

func TestIdleCourierLeavesTheStoreAlone(t *testing.T) {
	inRig(t, queue.CourierOptions{Batch: 64}, func(t *testing.T, r *rig) {
		r.carrier.does = func(j queue.Job) queue.Outcome { return r.waits(j, 24*time.Hour, true) }
		for i := range 100 {
			r.writes(routine, "N0QRA", fmt.Sprint("TO", i), "waits a day")
		}
		r.start()
		time.Sleep(time.Minute)
		before := r.store.reads.Load()
		time.Sleep(time.Hour)
		if n := r.store.reads.Load() - before; n > 2000 {
			t.Errorf("%d reads in an idle hour", n)
		}
		r.carrier.closed.Store(true)
		time.Sleep(time.Minute)
		before = r.store.reads.Load()
		time.Sleep(time.Hour)
		if n := r.store.reads.Load() - before; n > 0 {
			t.Errorf("%d reads in an hour while the link is down", n)
		}
	})
}

// Held texts may be let go behind the front of a lane that is in memory already.
func TestOlderTextsThatAreLetGoGoFirst(t *testing.T) {
	inRig(t, queue.CourierOptions{}, func(t *testing.T, r *rig) {
		var seqs []uint64
		for i := range 5 {
			held := text(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", i+1), queue.Held)
			held.Deliveries[0].Link = ""
			seqs = append(seqs, r.writeAll(held))
		}
		for i := range 3 {
			r.writes(routine, "N0QRA", "N0QRX", fmt.Sprint("a ", []int{0, 6, 7}[i]))
		}
		r.carrier.takes = func(queue.Job) time.Duration { return 10 * time.Second }
		r.start()
		time.Sleep(time.Second) // the first is on its way, the others are in memory
		var ops []queue.Op
		for _, seq := range seqs {
			ops = append(ops, queue.Op{Seq: seq, Change: func(rec *queue.Record) ([]*queue.Record, error) {
				rec.Deliveries[0].Link, rec.Deliveries[0].State = hill, queue.Ready
				return nil, nil
			}})
		}
		if _, err := r.store.Apply(t.Context(), ops...); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Minute)
		r.wantOrder("a", 8)
	})
}
