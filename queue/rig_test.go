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

// forget has what was carried so far not count.
func (c *carrier) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.texts = nil
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

// text is a record of one text, in a state on the link.
func text(p message.Precedence, from, to, words string, state queue.State) *queue.Record {
	return &queue.Record{
		Message:    message.Message{Kind: message.Text, From: from, To: to, Text: words, Precedence: p},
		Deliveries: []queue.Delivery{{Link: hill, To: to, State: state}},
	}
}

// writes puts a text into the queue and gives its number.
func (r *rig) writes(p message.Precedence, from, to, words string) uint64 {
	r.t.Helper()
	return r.writeAll(text(p, from, to, words, queue.Ready))
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
