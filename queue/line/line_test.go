package line

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/queue"
)

// note is a call of these tests.
type note struct {
	Call
	name string
}

func firm(name string) *note { return &note{Call{Ops: 1, Done: make(chan struct{})}, name} }
func lazy(name string) *note { return &note{Call{Ops: 1, Lazy: true}, name} }

// fill makes a line of these.
func fill(t *testing.T, notes ...*note) *Line[*note] {
	t.Helper()
	l := New[*note](LazyWait, LazyMany)
	for _, n := range notes {
		if err := l.Add(n); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

func (n *note) ops() int { return n.Ops }

// takes demands what Take gives.
func takes(t *testing.T, l *Line[*note], most int, want ...string) {
	t.Helper()
	batch, wait, over := l.Take((*note).ops, most)
	var names []string
	for _, n := range batch {
		names = append(names, n.name)
	}
	if !slices.Equal(names, want) || over {
		t.Errorf("it took %q, want %q; to wait for %v, over: %v", names, want, wait, over)
	}
}

func TestFirstInFirstOutAsMuchAsFits(t *testing.T) {
	big := firm("big")
	big.Ops = 5
	l := fill(t, firm("a"), lazy("b"), firm("c"), big, firm("d"))
	takes(t, l, 3, "a", "b", "c")
	takes(t, l, 3, "big") // the first is taken whatever its size
	takes(t, l, 3, "d")
	takes(t, l, 3)
}

func TestWhoGivesUpIsNotBegun(t *testing.T) {
	a, b := firm("a"), firm("b")
	l := fill(t, a, b)
	if !a.Withdraw() {
		t.Error("nobody had begun it")
	}
	takes(t, l, 9, "b")
	if b.Withdraw() {
		t.Error("it was begun")
	}
}

func TestLazyOnesWaitForCompanyButNotForever(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := fill(t, lazy("a"))
		time.Sleep(2 * time.Second)
		l.Add(lazy("b"))
		if batch, wait, _ := l.Take((*note).ops, 9); batch != nil || wait != LazyWait-2*time.Second {
			t.Errorf("it took %d, and is to wait for %v", len(batch), wait)
		}
		time.Sleep(LazyWait - 2*time.Second)
		takes(t, l, 9, "a", "b")
		l.Add(lazy("c"))
		l.Add(firm("d"))
		takes(t, l, 9, "c", "d") // nobody waits when somebody writes
	})
}

func TestWhatFailedIsInFrontAgainAfterAPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := lazy("a"), lazy("b")
		l := fill(t, a, b)
		time.Sleep(LazyWait)
		takes(t, l, 9, "a", "b")
		l.Add(lazy("c"))
		if !l.GiveBack([]*note{a, b}, LazyWait) {
			t.Error("the line is open")
		}
		if _, wait, _ := l.Take((*note).ops, 9); wait != LazyWait {
			t.Errorf("the pause is %v", wait)
		}
		time.Sleep(LazyWait)
		takes(t, l, 9, "a", "b", "c")
	})
}

func TestClosedLine(t *testing.T) {
	a := lazy("a")
	l := fill(t, a)
	l.Close()
	<-l.Wake()
	if err := l.Add(firm("b")); !errors.Is(err, queue.ErrClosed) {
		t.Errorf("it took one more: %v", err)
	}
	takes(t, l, 9, "a") // at once
	if l.GiveBack([]*note{a}, LazyWait) {
		t.Error("there is no later")
	}
	if batch, _, over := l.Take((*note).ops, 9); batch != nil || !over {
		t.Errorf("%d are left, over: %v", len(batch), over)
	}
}

func TestLazyOnesAreBounded(t *testing.T) {
	many := lazy("many")
	many.Ops = maxLazy
	l := fill(t, many)
	if err := l.Add(lazy("one more")); !errors.Is(err, queue.ErrFull) {
		t.Error(err)
	}
	if err := l.Add(firm("firm")); err != nil {
		t.Error(err)
	}
}

func TestNobodyIsWokenForALazyOne(t *testing.T) {
	woken := func(l *Line[*note]) bool {
		select {
		case <-l.Wake():
			return true
		default:
			return false
		}
	}
	l := New[*note](LazyWait, LazyMany)
	if _, wait, _ := l.Take((*note).ops, 9); wait != LazyWait {
		t.Errorf("with nothing to do it is to look again after %v", wait)
	}
	if l.Add(lazy("a")); woken(l) {
		t.Error("woken for a lazy one")
	}
	many := lazy("many")
	many.Ops = LazyMany
	if l.Add(many); !woken(l) {
		t.Error("not woken for many")
	}
	if l.Add(firm("b")); !woken(l) {
		t.Error("not woken for one that somebody waits for")
	}
}
