//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/queue"
)

var (
	from  = flag.Uint64("from", 1, "the first seed of TestWorlds")
	seeds = flag.Int("seeds", 30, "how many worlds TestWorlds tries")
	story = flag.Bool("story", false, "show the processes' logs of a world that fails")
)

// TestWorlds: three processes of a hub, with the real store and courier, share a queue in
// an etcd under virtual time. What it answers comes late, or not, and what was asked may
// have been carried out then, or be carried out later; mirrors show what others wrote a
// moment or seconds later; processes are cut off, for longer than a lease or shorter, and
// killed. Everything comes from the seed but how goroutines interleave.
func TestWorlds(t *testing.T) {
	for i := range *seeds {
		seed := *from + uint64(i)
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) { newWorld(t, seed, dir).run() })
		})
	}
}

const (
	processes = 3
	writers   = 6
	writing   = 2 * time.Minute // in which there are texts and troubles
	settling  = 2 * time.Minute
)

// world is one hub, and what an onlooker knows of it.
type world struct {
	t    *testing.T
	etcd *virtual
	age  *clock.Clock
	hub  [processes]*member

	mu        sync.Mutex
	chance    *rand.Rand
	calm      bool
	numbers   map[uint64]bool
	confirmed map[int]uint64 // text -> its record
	handed    map[int]bool
	sent      map[int][]sending
	changed   map[uint64]*changes
	holds     map[int]*life // part of the inbox -> who has it
	allowed   int           // copies that an end of a process explains
	log       strings.Builder
}

// sending is one time that a text went out.
type sending struct {
	by *life
	at time.Time
}

// changes are how often a record was changed: at least, and at most.
type changes struct{ sure, maybe int }

// member is one process of the hub, over its lives.
type member struct {
	w    *world
	name int
	dir  string
	cut  atomic.Pointer[chan struct{}] // nil: it reaches etcd; else closed once it does again
	now  atomic.Pointer[life]
	kill chan time.Duration
}

// life is a member from one start to its end. It is its own way to etcd.
type life struct {
	m     *member
	store *Store
	dark  atomic.Bool // it was killed: nothing gets out any more
	ended atomic.Pointer[time.Time]
}

func newWorld(t *testing.T, seed uint64, dir string) *world {
	w := &world{
		t: t, chance: rand.New(rand.NewPCG(seed, 7)), age: clock.New(clock.Saved{}, time.Now, func() bool { return true }),
		numbers: map[uint64]bool{}, confirmed: map[int]uint64{}, handed: map[int]bool{}, sent: map[int][]sending{}, changed: map[uint64]*changes{}, holds: map[int]*life{},
	}
	w.etcd = newVirtual(func(what string) { w.t.Error(what) })
	for i := range w.hub {
		w.hub[i] = &member{w: w, name: i, dir: filepath.Join(dir, fmt.Sprint(i)), kill: make(chan time.Duration)}
	}
	return w
}

func (w *world) below(n int) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.chance.IntN(n)
}

func (w *world) upTo(d time.Duration) time.Duration { return time.Duration(w.below(int(d))) }

func (w *world) isCalm() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.calm
}

func (w *world) run() {
	ctx, cancel := context.WithCancel(w.t.Context())
	var running, work sync.WaitGroup
	for _, m := range w.hub {
		running.Go(func() { m.run(ctx) })
	}
	running.Go(func() { w.look(ctx) })
	for i := range writers {
		work.Go(func() { w.write(i) })
	}
	work.Go(w.change)
	w.trouble()
	w.mu.Lock()
	w.calm = true
	w.mu.Unlock()
	work.Wait()
	time.Sleep(settling)
	w.judge()
	cancel()
	running.Wait()
	w.etcd.stop()
	time.Sleep(time.Minute) // until what was late has come
	if w.t.Failed() && *story {
		w.t.Log(w.log.String())
	}
}

// trouble has things happen until the writing is over, and then mends all.
func (w *world) trouble() {
	end := time.Now().Add(writing)
	for time.Until(end) > 0 {
		time.Sleep(time.Second + w.upTo(20*time.Second))
		m := w.hub[w.below(processes)]
		switch d := time.Second + w.upTo(25*time.Second); w.below(4) {
		case 0:
			m.cutOff(d)
		case 1:
			for _, m := range w.hub { // no majority
				m.cutOff(d / 2)
			}
		case 2:
			m.cutOff(time.Duration(w.below(3)) * time.Second)
		default:
			select {
			case m.kill <- d:
			default: // it does not live
			}
		}
	}
	time.Sleep(30 * time.Second)
}

// cutOff cuts a process off etcd for a time.
func (m *member) cutOff(d time.Duration) {
	mended := make(chan struct{})
	if !m.cut.CompareAndSwap(nil, &mended) {
		return
	}
	time.AfterFunc(d, func() { m.cut.Store(nil); close(mended) })
}

// open waits until the process reaches etcd.
func (l *life) open(ctx context.Context) error {
	for {
		cut := l.m.cut.Load()
		if cut == nil && !l.dark.Load() {
			return nil
		}
		var mended <-chan struct{}
		if cut != nil && !l.dark.Load() {
			mended = *cut
		}
		select {
		case <-mended:
		case <-ctx.Done():
			return status.FromContextError(ctx.Err()).Err()
		}
	}
}

// lost is what a question comes to that nobody answers: the connection is given up, as the
// store's keepalive has it, if ctx does not end before.
func lost(ctx context.Context) error {
	if err := sleep(ctx, 8*time.Second); err != nil {
		return err
	}
	return status.Error(codes.Unavailable, "the connection is lost")
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return status.FromContextError(ctx.Err()).Err()
	}
}

// ask implements path.
func (l *life) ask(ctx context.Context, carryOut func()) error {
	w := l.m.w
	if l.m.cut.Load() != nil || l.dark.Load() {
		return lost(ctx)
	}
	fate, takes := w.below(100), time.Millisecond+w.upTo(4*time.Millisecond)
	if fate < 10 {
		takes += w.upTo(time.Second)
	}
	if w.isCalm() {
		fate = 99
	}
	switch {
	case fate < 2:
		return lost(ctx)
	case fate < 4: // it comes late
		time.AfterFunc(w.upTo(15*time.Second), carryOut)
		return lost(ctx)
	}
	if err := sleep(ctx, takes); err != nil {
		if w.below(2) == 0 {
			time.AfterFunc(w.upTo(time.Second), carryOut)
		}
		return err
	}
	carryOut()
	if fate < 6 || l.m.cut.Load() != nil || l.dark.Load() { // the answer gets lost
		return lost(ctx)
	}
	return nil
}

// lag implements path.
func (l *life) lag(ctx context.Context) error {
	takes := l.m.w.upTo(10 * time.Millisecond)
	switch fate := l.m.w.below(100); {
	case fate < 5:
		takes += l.m.w.upTo(15 * time.Second) // its member is behind
	case fate < 10:
		takes += l.m.w.upTo(2 * time.Second)
	}
	if err := sleep(ctx, takes); err != nil {
		return err
	}
	return l.open(ctx)
}

// run has a process live until ctx ends: it is killed, and starts again after a while,
// and one that has lost its part joins anew.
func (m *member) run(ctx context.Context) {
	for ctx.Err() == nil {
		l := &life{m: m}
		log := slog.New(slog.NewTextHandler(&m.w.log, nil)).With("process", m.name)
		if !*story {
			log = slog.New(slog.DiscardHandler)
		}
		s, err := Open(ctx, Options{Name: virtualName, Dir: m.dir, Works: true, Log: log, Endpoints: []string{"virtual"}, client: func() *clientv3.Client { return m.w.etcd.client(l) }})
		if err != nil {
			log.Info("it cannot begin", "err", err)
			_ = sleep(ctx, time.Second) // and again
			continue
		}
		l.store = s
		m.live(ctx, l)
	}
}

func (m *member) live(ctx context.Context, l *life) {
	working, end := context.WithCancel(ctx)
	var work sync.WaitGroup
	m.now.Store(l)
	courier := queue.NewCourier(queue.CourierOptions{
		Link: "far", Batch: 4, Parallel: 2, Store: l.store, Take: l.store.Take, Clock: m.w.age, Carrier: l, Log: slog.New(slog.DiscardHandler),
	})
	work.Go(func() { courier.Run(working) })
	work.Go(func() {
		for {
			select {
			case <-l.store.Watch():
				courier.Wake()
			case <-l.store.News():
				l.store.Learn()
				courier.Reshared()
			case <-working.Done():
				return
			}
		}
	})
	work.Go(func() { m.w.draw(working, l) })
	for n := range link.Inboxes {
		work.Go(func() { m.w.hold(working, l, n) })
	}
	rest := time.Duration(0)
	select {
	case rest = <-m.kill:
		l.dark.Store(true)
	case <-l.store.Lost():
	case <-ctx.Done():
	}
	m.now.Store(nil)
	now := time.Now()
	l.ended.Store(&now)
	end()
	work.Wait()
	l.store.log.Info("it ends", "killed", l.dark.Load())
	_ = l.store.Close() // of one that was killed or cut off it fails
	time.Sleep(rest)
}

// anyone gives a process that lives; nil: none does.
func (w *world) anyone() *life { return w.hub[w.below(processes)].now.Load() }

// write is somebody who writes, and hands each text in until it is confirmed.
func (w *world) write(who int) {
	for i, end := 0, time.Now().Add(writing); time.Until(end) > 0; i++ {
		no := i*writers + who
		w.mu.Lock()
		w.handed[no] = true
		w.mu.Unlock()
		for !w.handIn(no) {
			time.Sleep(time.Second)
		}
		time.Sleep(w.upTo(3 * time.Second))
	}
}

func (w *world) handIn(no int) bool {
	l := w.anyone()
	if l == nil {
		return false
	}
	r := sample(no)
	r.Accepted.Age = w.age.Age()
	r.Message.Text = fmt.Sprint(no)
	done, err := l.store.Apply(w.t.Context(), queue.Op{New: r, SameFor: time.Hour})
	if err != nil || l.dark.Load() { // whoever was killed has told nobody
		return false
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if was, ok := w.confirmed[no]; ok && was != done[0].Seq {
		w.t.Errorf("text %d is record %d and record %d", no, was, done[0].Seq)
	}
	w.confirmed[no] = done[0].Seq
	return true
}

// change has processes change records, several at once.
func (w *world) change() {
	var all sync.WaitGroup
	defer all.Wait()
	for end := time.Now().Add(writing); time.Until(end) > 0; time.Sleep(w.upTo(200 * time.Millisecond)) {
		w.mu.Lock()
		var seqs []uint64
		for _, seq := range w.confirmed {
			seqs = append(seqs, seq)
		}
		w.mu.Unlock()
		if len(seqs) == 0 {
			continue
		}
		slices.Sort(seqs)
		seq := seqs[w.below(len(seqs))]
		for range processes {
			all.Go(func() { w.changeOne(seq) })
		}
	}
}

func (w *world) changeOne(seq uint64) {
	l := w.anyone()
	if l == nil {
		return
	}
	done, err := l.store.Apply(w.t.Context(), queue.Op{Seq: seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
		r.Deliveries[0].Attempts++
		return nil, nil
	}})
	w.mu.Lock()
	defer w.mu.Unlock()
	c := w.changed[seq]
	if c == nil {
		c = &changes{}
		w.changed[seq] = c
	}
	switch {
	case err == nil && done[0].Err == nil:
		c.sure++
		c.maybe++
	case errors.Is(err, queue.ErrUncertain):
		c.maybe++
	case err == nil && errors.Is(done[0].Err, queue.ErrNotFound): // its mirror does not show it yet
	case err == nil:
		w.t.Errorf("changing %d: %v", seq, done[0].Err)
	}
}

// draw has a process draw numbers.
func (w *world) draw(ctx context.Context, l *life) {
	for sleep(ctx, w.upTo(2*time.Second)) == nil {
		const n = 5
		first, err := l.store.Draw(ctx, "number", n, 100)
		if err != nil {
			continue
		}
		w.mu.Lock()
		for k := first; k < first+n; k++ {
			if w.numbers[k] {
				w.t.Errorf("number %d was drawn twice", k)
			}
			w.numbers[k] = true
		}
		w.mu.Unlock()
	}
}

// hold has a process hold a part of the inbox.
func (w *world) hold(ctx context.Context, l *life, n int) {
	for ctx.Err() == nil {
		held, giveBack, err := l.store.Inbox(ctx, n)
		if err != nil {
			return
		}
		w.mu.Lock()
		if was := w.holds[n]; was != nil && was != l && was.store.Lives() && !was.dark.Load() {
			w.t.Errorf("part %d of the inbox has two owners", n)
		}
		w.holds[n] = l
		w.mu.Unlock()
		<-held.Done()
		w.mu.Lock()
		if w.holds[n] == l {
			delete(w.holds, n)
		}
		w.mu.Unlock()
		giveBack()
	}
}

// look tells of parts that two processes think they have.
func (w *world) look(ctx context.Context) {
	for sleep(ctx, 100*time.Millisecond) == nil {
		for _, name := range slices.Concat(append(kinds, []string{lead})...) {
			var have []int
			for _, m := range w.hub {
				if l := m.now.Load(); l != nil && l.store.owned.has(name) {
					have = append(have, m.name)
				}
			}
			if len(have) > 1 {
				w.t.Errorf("part %q of the work has two owners: %v", name, have)
				return
			}
		}
	}
}

// The life is its courier's carrier.

func (l *life) Open() bool                                    { return l.store.Lives() && !l.dark.Load() }
func (l *life) Pace(*queue.Record, int) (time.Duration, bool) { return 0, false }
func (l *life) Overdue(*queue.Record) bool                    { return false }
func (l *life) Carry(_ context.Context, jobs []queue.Job) []queue.Outcome {
	out := make([]queue.Outcome, len(jobs))
	for i, j := range jobs {
		if !l.Open() {
			out[i].Down = true
			continue
		}
		l.m.w.went(l, j.Record)
		time.Sleep(l.m.w.upTo(50 * time.Millisecond))
		out[i].Change = func(r *queue.Record) ([]*queue.Record, error) {
			if r.Deliveries[0].State != queue.Ready {
				return nil, queue.ErrSkip
			}
			r.Deliveries[0].State, r.Outcome = queue.Sent, queue.Sent
			return nil, nil
		}
	}
	return out
}

// went notes that a text goes out. It may go out again where the process that sent it has
// ended since: that is the window which is documented.
func (w *world) went(l *life, r *queue.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var no int
	if _, err := fmt.Sscan(r.Message.Text, &no); err != nil {
		w.t.Error(err)
	}
	if before := w.sent[no]; len(before) > 0 {
		last := before[len(before)-1]
		end := last.by.ended.Load()
		if end == nil && !last.by.store.Lives() {
			now := time.Now()
			end = &now // it has lost its part just now
		}
		if w.allowed++; end == nil || end.Sub(last.at) > window {
			ended := "lives"
			if end != nil {
				ended = fmt.Sprint("ended after ", end.Sub(last.at))
			}
			w.t.Errorf("text %d was sent twice: by %d, which %s, and after %v by %d", no, last.by.m.name, ended, time.Since(last.at), l.m.name)
		}
	}
	w.sent[no] = append(w.sent[no], sending{l, time.Now()})
}

// window is how long before its end what a process has sent may go out again: the five
// seconds that a lazy change may wait, and a few writes in a row without an answer, while
// the signs of life got through.
const window = 30 * time.Second

// judge looks at everything in the end.
func (w *world) judge() {
	var stores []*Store
	for _, m := range w.hub {
		if l := m.now.Load(); l != nil {
			stores = append(stores, l.store)
		}
	}
	if len(stores) != processes {
		w.t.Errorf("in the end %d of %d processes live", len(stores), processes)
		return
	}
	all := sameRecords(w.t, stores...)
	w.mu.Lock()
	defer w.mu.Unlock()
	times := map[string]int{}
	for _, r := range all {
		times[r.Message.Text]++
		if r.Open() {
			w.t.Errorf("text %s was not sent", r.Message.Text)
		}
		if c := w.changed[r.Seq]; c != nil && (r.Deliveries[0].Attempts < c.sure || r.Deliveries[0].Attempts > c.maybe) {
			w.t.Errorf("text %s was changed %d times, and should have been %d to %d times", r.Message.Text, r.Deliveries[0].Attempts, c.sure, c.maybe)
		}
	}
	for no := range w.handed {
		if n := times[fmt.Sprint(no)]; n != 1 {
			w.t.Errorf("text %d is there %d times", no, n)
		}
		if len(w.sent[no]) == 0 {
			w.t.Errorf("text %d was confirmed and never sent", no)
		}
	}
	w.t.Logf("%d texts, %d copies in the window, %d numbers", len(w.handed), w.allowed, len(w.numbers))
}
