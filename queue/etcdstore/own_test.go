//go:build hub

package etcdstore

import (
	"context"
	"fmt"
	"runtime"
	"strconv"
	"sync"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
)

func works(o *Options) { o.Works = true }

// lane is one of many.
func lane(i int) queue.Lane {
	return queue.Lane{Link: "far", From: fmt.Sprintf("N0QRA-%d", i%15), To: fmt.Sprintf("N0QRB-%d", i/15)}
}

// owners tells which of the processes has each share, and that no share has two.
func owners(t testing.TB, stores ...*Store) (count []int) {
	t.Helper()
	count = make([]int, len(stores))
	for i := range shares {
		name, have := strconv.Itoa(i), 0
		for k, s := range stores {
			if s.owned.has(name) {
				have++
				count[k]++
			}
		}
		if have > 1 {
			t.Errorf("share %d has %d owners", i, have)
		}
	}
	return count
}

// divided waits until each process has its part: all shares are owned, and the
// parts are equal but for what a division leaves.
func divided(t testing.TB, stores ...*Store) {
	t.Helper()
	quota := (shares + len(stores) - 1) / len(stores)
	until(t, fmt.Sprintf("the shares are divided among %d", len(stores)), func() bool {
		sum := 0
		for _, n := range owners(t, stores...) {
			if sum += n; n > quota {
				return false
			}
		}
		return sum == shares
	})
}

// TestWorkIsDivided: one process leads, the shares are divided, and divided anew
// when one comes, leaves or is cut off, whose part nobody has before it knows
// itself that it has lost it.
func TestWorkIsDivided(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	first, wires := wired(t, c, "work", works)
	if !first.Leads() {
		t.Fatal("a process that is alone does not lead")
	}
	divided(t, first)
	second := join(t, c, t.TempDir(), "work", works, impatient)
	third := join(t, c, t.TempDir(), "work", works, impatient)
	closing(t, third)
	divided(t, first, second, third)
	if second.Leads() || third.Leads() {
		t.Error("several processes lead")
	}
	if err := second.Close(); err != nil {
		t.Error(err)
	}
	divided(t, first, third)

	cut := time.Now()
	for _, w := range wires {
		w.Cut()
	}
	stores := make(chan error, 1)
	go func() {
		_, err := first.Apply(t.Context(), queue.Op{New: sample(2)})
		stores <- err
	}()
	select {
	case <-first.Lost():
	case <-third.Won():
		t.Fatal("another process leads before the first knows that it does not any more")
	}
	t.Logf("the first knew after %v that it had lost its part", time.Since(cut))
	if n := owners(t, first)[0]; first.Leads() || first.Lives() || n != 0 {
		t.Errorf("it still thinks that it leads (%v), lives (%v), has %d shares", first.Leads(), first.Lives(), n)
	}
	select {
	case err := <-stores:
		if err == nil {
			t.Error("the first stored a text without etcd")
		}
	case <-time.After(patience / 2):
		t.Error("whoever hands something in waits on, and keeps his link open")
	}
	<-third.Won()
	divided(t, third)
	t.Logf("the other had all of it after %v", time.Since(cut))
	for _, w := range wires {
		w.Mend()
	}
	if _, err := first.Apply(t.Context(), queue.Op{New: sample(1)}); err == nil {
		t.Error("the first wrote once another had its part")
	}
}

// TestStartedAnew: a process that died a moment ago and is started again has its
// part at once, not when its former lease runs out.
func TestStartedAnew(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	dir := t.TempDir()
	s := join(t, c, dir, "anew", works)
	divided(t, s)
	s.session.mu.Lock()
	s.session.lease = 0 // it does not give its lease up at the end
	s.session.mu.Unlock()
	if err := s.Close(); err != nil {
		t.Log(err)
	}
	again := join(t, c, dir, "anew", works)
	closing(t, again)
	if !again.Leads() {
		t.Error("it does not lead")
	}
	divided(t, again)
}

// TestQuestionsEndWithThePart: who asks etcd itself for something is told that there is
// no answer as soon as the process has lost its part of the work. Its links are closed
// then, and have to tell those who hand something in.
func TestQuestionsEndWithThePart(t *testing.T) {
	t.Parallel()
	s, wires := wired(t, etcdtest.Start(t, 1), "questions", works)
	for _, w := range wires {
		w.Cut()
	}
	var asked sync.WaitGroup
	for what, ask := range map[string]func() error{
		"Get":   func() error { _, err := s.Get(t.Context(), 17); return err },
		"Apply": func() error { _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); return err },
	} {
		asked.Go(func() {
			err := ask()
			if err == nil {
				t.Errorf("%s has an answer", what)
			}
		})
	}
	asked.Wait()
	<-s.Lost()
	if s.Shares() != 0 || s.Leads() {
		t.Errorf("it leads: %v, and has %d shares", s.Leads(), s.Shares())
	}
}

// TestShareIsKeptUntilFiled: a process that has to give up shares to another keeps
// those from which something is on its way.
func TestShareIsKeptUntilFiled(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	a := join(t, c, t.TempDir(), "kept", works)
	closing(t, a)
	divided(t, a)
	var backs []func()
	held := map[string]bool{}
	for i := range 400 {
		giveBack, ok := a.Take(lane(i))
		if !ok {
			t.Fatal("it has not all lanes")
		}
		backs, held[shareOf(lane(i))] = append(backs, giveBack), true
	}
	if len(held) < shares*9/10 {
		t.Fatalf("400 lanes lie in %d of %d shares", len(held), shares)
	}
	b := join(t, c, t.TempDir(), "kept", works)
	closing(t, b)
	until(t, "the first takes nothing new from half of its shares", func() bool { return owners(t, a, b)[0] == shares/2 })
	if n := owners(t, b)[0]; n > shares-len(held) {
		t.Errorf("the second has %d shares, of which the first has something on its way", n)
	}
	for _, giveBack := range backs {
		giveBack()
	}
	divided(t, a, b)
}

// holder takes in whatever part of the inbox its process has, and says who has which.
type holder struct {
	mu  sync.Mutex
	has map[int]*Store // nil: nobody
}

// work has a process hold its parts until ctx ends.
func (h *holder) work(ctx context.Context, t *testing.T, s *Store) (ended func()) {
	var parts sync.WaitGroup
	for n := range link.Inboxes {
		parts.Go(func() {
			for ctx.Err() == nil {
				held, giveBack, err := s.Inbox(ctx, n)
				if err != nil {
					return
				}
				h.mu.Lock()
				if was := h.has[n]; was != nil && was.Lives() {
					t.Errorf("part %d of the inbox has two owners", n)
				}
				h.has[n] = s
				h.mu.Unlock()
				<-held.Done()
				h.mu.Lock()
				if h.has[n] == s {
					h.has[n] = nil
				}
				h.mu.Unlock()
				giveBack()
			}
		})
	}
	return parts.Wait
}

// count tells how many parts a process has.
func (h *holder) count(s *Store) (n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, has := range h.has {
		if has == s {
			n++
		}
	}
	return n
}

// TestInboxIsDivided: each process has its parts of the inbox, no part has two owners,
// and what a process leaves or loses, the others have.
func TestInboxIsDivided(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	h := &holder{has: map[int]*Store{}}
	begin := func(s *Store) (stop func()) {
		ctx, cancel := context.WithCancel(t.Context())
		ended := h.work(ctx, t, s)
		stop = sync.OnceFunc(func() { cancel(); ended() })
		t.Cleanup(stop)
		return stop
	}
	first, wires := wired(t, c, "inbox", works)
	begin(first)
	until(t, "the first has all", func() bool { return h.count(first) == link.Inboxes })
	second := join(t, c, t.TempDir(), "inbox", works, impatient)
	stopSecond := begin(second)
	third := join(t, c, t.TempDir(), "inbox", works, impatient)
	closing(t, third)
	begin(third)
	until(t, "each has some", func() bool {
		a, b, c := h.count(first), h.count(second), h.count(third)
		return min(a, b, c) == 1 && a+b+c == link.Inboxes
	})
	stopSecond()
	if err := second.Close(); err != nil {
		t.Error(err)
	}
	until(t, "two have all", func() bool { return h.count(first) == 2 && h.count(third) == 2 })
	for _, w := range wires {
		w.Cut()
	}
	until(t, "the third has all", func() bool { return h.count(third) == link.Inboxes })
}

// TestInboxIsGivenUpWhenAllIsKnown: while a process does not know whether what it had
// under way is on disk, its part of the inbox is nobody else's.
func TestInboxIsGivenUpWhenAllIsKnown(t *testing.T) {
	t.Parallel()
	s, wires := wired(t, etcdtest.Start(t, 1), "known", works)
	_, giveBack, err := s.Inbox(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range wires {
		w.Cut()
	}
	ctx, cancel := context.WithCancel(t.Context())
	wrote, gave := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gave)
		go func() {
			defer close(wrote)
			_, _ = s.Apply(ctx, queue.Op{Put: map[string][]byte{"mark": {1}}}) // its caller goes: nobody knows
		}()
		cancel()
		<-wrote
		giveBack()
	}()
	select {
	case <-gave:
		t.Error("it was given up at once")
	case <-time.After(300 * time.Millisecond): // much less than a lease holds
	}
	for _, w := range wires {
		w.Mend()
	}
	<-gave // now, or when the lease has ended
}

// TestClaimWithoutAnAnswer: a process that does not know of a part that it has finds it.
func TestClaimWithoutAnAnswer(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	s := join(t, c, t.TempDir(), "answer", works)
	closing(t, s)
	divided(t, s)
	s.owned.mu.Lock()
	delete(s.owned.mine, "7")
	s.owned.mu.Unlock()
	divided(t, s)
	for i := range 400 {
		if _, ok := s.Take(lane(i)); !ok {
			t.Fatalf("it has not the lane %v", lane(i))
		}
	}
}

// TestNoLaneIsTakenTwice: while processes come and go, no two have anything of one
// lane on its way at once.
func TestNoLaneIsTakenTwice(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	ctx, cancel := context.WithCancel(t.Context())
	var mu sync.Mutex
	out, took := map[queue.Lane]int{}, 0
	var busy sync.WaitGroup
	work := func(s *Store) {
		for i := 0; ctx.Err() == nil; i++ {
			l := lane(i % 150)
			giveBack, ok := s.Take(l)
			if !ok {
				runtime.Gosched()
				continue
			}
			mu.Lock()
			took++
			if out[l]++; out[l] > 1 {
				t.Errorf("lane %v is taken %d times", l, out[l])
			}
			mu.Unlock()
			mu.Lock()
			out[l]--
			mu.Unlock()
			giveBack()
		}
	}
	first := join(t, c, t.TempDir(), "lanes", works)
	closing(t, first)
	busy.Go(func() { work(first) })
	for range 4 {
		s := join(t, c, t.TempDir(), "lanes", works)
		busy.Go(func() { work(s) })
		divided(t, first, s)
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		divided(t, first)
	}
	cancel()
	busy.Wait()
	if took == 0 {
		t.Error("nothing was taken: this test looked at nothing")
	}
}

// TestNumbersAreDrawnOnce: processes that draw from one setting at once get no
// number twice, and each of them ever greater ones.
func TestNumbersAreDrawnOnce(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	a, b := two(t, c)
	const each, n = 60, 7
	var mu sync.Mutex
	seen := map[uint64]bool{}
	var drawing sync.WaitGroup
	for _, s := range []*Store{a, b, a} {
		drawing.Go(func() {
			for last := uint64(0); ; {
				first, err := s.Draw(t.Context(), "number", n, 1000)
				if err != nil {
					t.Error(err)
					return
				}
				if first <= last {
					t.Errorf("%d after %d", first, last)
				}
				last = first + n - 1
				mu.Lock()
				for k := first; k <= last; k++ {
					if seen[k] {
						t.Errorf("number %d was drawn twice", k)
					}
					seen[k] = true
				}
				enough := len(seen) >= 3*each*n
				mu.Unlock()
				if enough {
					return
				}
			}
		})
	}
	drawing.Wait()
	if !seen[1000] || seen[999] {
		t.Error("they do not begin at the least")
	}
}

// TestSettingsOfOthersAreNews: what one process sets, another learns, and finds it in
// its own mirror then.
func TestSettingsOfOthersAreNews(t *testing.T) {
	t.Parallel()
	a, b := two(t, etcdtest.Start(t, 1))
	b.Learn()
	if _, err := a.Apply(t.Context(), queue.Op{Put: map[string][]byte{"quiet/far": {1}}}); err != nil {
		t.Fatal(err)
	}
	learned := map[string]bool{}
	until(t, "the other hears of it", func() bool {
		select {
		case <-b.News():
			names, _ := b.Learn()
			for _, name := range names {
				learned[name] = true
			}
		default:
		}
		return learned["quiet/far"]
	})
	if v, err := b.Setting(t.Context(), "quiet/far"); len(v) != 1 || err != nil {
		t.Errorf("it hears of it before it is there: %v, %v", v, err)
	}
}
