package queue_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

const hill = "hill"

// rig is one courier on a bolt store, in a bubble, with a carrier that the test
// leads.
type rig struct {
	t       *testing.T
	options queue.CourierOptions
	path    string
	store   *watched
	clock   *clock.Clock
	courier *queue.Courier
	carrier *carrier
	stop    func()
}

// watched is a store that counts reads, and fails to write when told to.
type watched struct {
	queue.Store
	reads atomic.Int64
	fails atomic.Bool
}

var errDisk = errors.New("input/output error")

func (s *watched) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if lazy := len(ops) > 0 && ops[0].Lazy; s.fails.Load() && !lazy {
		return nil, errDisk
	}
	return s.Store.Apply(ctx, ops...)
}

func (s *watched) Get(ctx context.Context, seq uint64) (*queue.Record, error) {
	s.reads.Add(1)
	return s.Store.Get(ctx, seq)
}

func (s *watched) Heads(ctx context.Context, l string, p message.Precedence, now clock.Age, after uint64, n int) ([]queue.Item, error) {
	s.reads.Add(1)
	return s.Store.Heads(ctx, l, p, now, after, n)
}

func (s *watched) Behind(ctx context.Context, l queue.Lane, after uint64, n int) ([]queue.Item, error) {
	s.reads.Add(1)
	return s.Store.Behind(ctx, l, after, n)
}

func (s *watched) Due(ctx context.Context, l string, until clock.Age, n int) ([]queue.Item, error) {
	s.reads.Add(1)
	return s.Store.Due(ctx, l, until, n)
}

func (s *watched) NextDue(ctx context.Context, l string) (clock.Age, bool, error) {
	s.reads.Add(1)
	return s.Store.NextDue(ctx, l)
}

// carrier writes down what it is given. Functions that are nil answer as an
// unpaced link does on which everything is sent at once.
type carrier struct {
	closed  atomic.Bool
	does    func(queue.Job) queue.Outcome
	pace    func(*queue.Record) (time.Duration, bool)
	overdue func(*queue.Record) bool
	takes   func(queue.Job) time.Duration

	mu    sync.Mutex
	texts []string // of the jobs, in the order given
	calls int
	most  int // jobs in one call
}

func (c *carrier) Open() bool { return !c.closed.Load() }

func (c *carrier) Pace(r *queue.Record, _ int) (time.Duration, bool) {
	if c.pace == nil {
		return 0, false
	}
	return c.pace(r)
}

func (c *carrier) Overdue(r *queue.Record) bool { return c.overdue != nil && c.overdue(r) }

func (c *carrier) Carry(_ context.Context, jobs []queue.Job) []queue.Outcome {
	c.mu.Lock()
	c.calls++
	c.most = max(c.most, len(jobs))
	for _, j := range jobs {
		c.texts = append(c.texts, j.Record.Message.Text)
	}
	c.mu.Unlock()
	out := make([]queue.Outcome, len(jobs))
	for i, j := range jobs {
		if c.takes != nil {
			time.Sleep(c.takes(j))
		}
		if out[i] = sent(j); c.does != nil {
			out[i] = c.does(j)
		}
	}
	return out
}

// carried gives what was carried so far.
func (c *carrier) carried() []string {
	synctest.Wait()
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.texts)
}

func (c *carrier) called() int {
	synctest.Wait()
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.calls
}

// ends is the outcome that a delivery has come to an end.
func ends(j queue.Job, s queue.State) queue.Outcome {
	return queue.Outcome{Change: func(r *queue.Record) ([]*queue.Record, error) {
		r.Deliveries[j.Item.Delivery].State = s
		return nil, nil
	}}
}

func sent(j queue.Job) queue.Outcome { return ends(j, queue.Sent) }

// waits is the outcome that a first transmission is out, or failed, and that the
// delivery is looked at again after a time.
func (r *rig) waits(j queue.Job, after time.Duration, begun bool) queue.Outcome {
	due := r.clock.Age().Add(after)
	return queue.Outcome{Urgent: !begun, Stop: !begun, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[j.Item.Delivery]
		d.State, d.Due, d.Begun = queue.Later, due, begun
		d.Attempts++
		d.Parts = []queue.Part{{ID: fmt.Sprint("f", r.Seq), Sent: true}}
		return nil, nil
	}}
}

// inRig runs a test in a bubble of its own. The courier is started by the test.
func inRig(t *testing.T, o queue.CourierOptions, test func(t *testing.T, r *rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, options: o, path: filepath.Join(t.TempDir(), "queue.db"), carrier: &carrier{}}
		r.clock = clock.New(clock.Saved{}, time.Now, func() bool { return true })
		r.open()
		defer func() { r.halt(); r.close() }()
		test(t, r)
	})
}

func (r *rig) open() {
	r.t.Helper()
	s, err := boltstore.Open(r.path, boltstore.Options{NoSync: true, MinFree: -1})
	if err != nil {
		r.t.Fatal(err)
	}
	r.store = &watched{Store: s}
}

func (r *rig) close() {
	r.t.Helper()
	if err := r.store.Close(); err != nil {
		r.t.Error(err)
	}
}

// start runs a courier, with the store's hints passed on.
func (r *rig) start() {
	o := r.options
	o.Link, o.Store, o.Clock, o.Carrier, o.Log = hill, r.store, r.clock, r.carrier, slog.New(slog.DiscardHandler)
	r.courier = queue.NewCourier(o)
	ctx, cancel := context.WithCancel(r.t.Context())
	var running sync.WaitGroup
	running.Go(func() { r.courier.Run(ctx) })
	running.Go(func() {
		hints := r.store.Watch()
		for {
			select {
			case <-ctx.Done():
				return
			case <-hints:
				r.courier.Wake()
			}
		}
	})
	r.stop = func() { cancel(); running.Wait() }
	synctest.Wait()
}

func (r *rig) halt() {
	if r.stop != nil {
		r.stop()
		r.stop = nil
	}
}

// writes puts a text into the queue and gives its number.
func (r *rig) writes(p message.Precedence, from, to, text string) uint64 {
	r.t.Helper()
	return r.writeAll(&queue.Record{
		Message:    message.Message{Kind: message.Text, From: from, To: to, Text: text, Precedence: p},
		Deliveries: []queue.Delivery{{Link: hill, To: to, State: queue.Ready}},
	})
}

// writeAll puts records into the queue in one step and gives the last number.
func (r *rig) writeAll(records ...*queue.Record) uint64 {
	r.t.Helper()
	var ops []queue.Op
	for _, rec := range records {
		rec.Accepted = queue.Stamp{Age: r.clock.Age()}
		rec.Until = rec.Accepted.Age.Add(24 * time.Hour)
		rec.Expires = rec.Until
		ops = append(ops, queue.Op{New: rec})
	}
	done, err := r.store.Apply(r.t.Context(), ops...)
	if err != nil {
		r.t.Fatal(err)
	}
	return done[len(done)-1].Seq
}

func (r *rig) delivery(seq uint64) queue.Delivery {
	r.t.Helper()
	rec, err := r.store.Get(r.t.Context(), seq)
	if err != nil {
		r.t.Fatal(err)
	}
	return rec.Deliveries[0]
}

func (r *rig) wantCarried(want ...string) {
	r.t.Helper()
	if got := r.carrier.carried(); !slices.Equal(got, want) {
		r.t.Errorf("carried %q\nwant    %q", got, want)
	}
}

// wantOrder checks that of the texts that begin with a prefix all have been
// carried, once, in the order in which they were written: prefix 0, prefix 1, …
func (r *rig) wantOrder(prefix string, n int) {
	r.t.Helper()
	var got, want []string
	for _, s := range r.carrier.carried() {
		if strings.HasPrefix(s, prefix+" ") {
			got = append(got, s)
		}
	}
	for i := range n {
		want = append(want, fmt.Sprint(prefix, " ", i))
	}
	if !slices.Equal(got, want) {
		r.t.Errorf("%s: carried %d of %d, %q", prefix, len(got), n, got)
	}
}

const routine = message.Routine

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
		r.carrier.mu.Lock()
		r.carrier.texts = nil
		r.carrier.mu.Unlock()
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
		r.carrier.mu.Lock()
		r.carrier.texts = nil
		r.carrier.mu.Unlock()
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
				add := func(from, to, text string) {
					all = append(all, &queue.Record{
						Message:    message.Message{Kind: message.Text, From: from, To: to, Text: text, Precedence: routine},
						Deliveries: []queue.Delivery{{Link: hill, To: to, State: queue.Ready}},
					})
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
		add := func(from, text string, state queue.State) {
			all = append(all, &queue.Record{
				Message:    message.Message{Kind: message.Text, From: from, To: "ALL", Text: text, Precedence: routine},
				Deliveries: []queue.Delivery{{Link: hill, To: "ALL", State: state}},
			})
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
			rec := &queue.Record{
				Message:    message.Message{Kind: message.Text, From: "N0QRA", To: "N0QRX", Text: fmt.Sprint("a ", i+1), Precedence: routine},
				Deliveries: []queue.Delivery{{To: "N0QRX", State: queue.Held}},
			}
			seqs = append(seqs, r.writeAll(rec))
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
