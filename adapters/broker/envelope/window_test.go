package envelope

import (
	"errors"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Against a model that remembers everything: a number is taken once, at most
// WindowSize below the highest; storing the window in between changes nothing.
func TestWindowAgainstMemory(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var w Window
		taken, highest := map[uint64]bool{}, uint64(0)
		base := rapid.SampledFrom([]uint64{1, WindowSize, uint64(now.UnixMilli()), MaxNumber - 3*WindowSize}).Draw(t, "base")
		step := rapid.SampledFrom([]uint64{3, 64, WindowSize, 3 * WindowSize}).Draw(t, "spread")
		for range rapid.IntRange(1, 200).Draw(t, "numbers") {
			n := base + rapid.Uint64Range(0, step).Draw(t, "n")
			fresh := !taken[n] && n+WindowSize > highest
			if w.Seen(n) == fresh {
				t.Fatalf("%d of highest %d: Seen is %v", n, highest, !fresh)
			}
			if err := w.Take(n); (err == nil) != fresh || err != nil && !errors.Is(err, ErrReplay) {
				t.Fatalf("%d of highest %d: %v", n, highest, err)
			}
			taken[n], highest = true, max(highest, n)
			if w.Highest() != highest {
				t.Fatalf("highest is %d, want %d", w.Highest(), highest)
			}
			if rapid.IntRange(0, 9).Draw(t, "store") == 0 {
				w = stored(t, w)
			}
		}
	})
}

func stored(t *rapid.T, w Window) Window {
	b, err := w.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	var again Window
	if err := again.UnmarshalBinary(b); err != nil || again != w {
		t.Fatalf("stored in %d bytes, it comes back as another (%v)", len(b), err)
	}
	return again
}

func TestWindowEdges(t *testing.T) {
	var w Window
	if !w.Seen(0) || w.Take(0) == nil {
		t.Error("no event has the number 0")
	}
	for _, c := range []struct {
		n     uint64
		fresh bool
	}{
		{1, true}, {1, false}, {WindowSize, true}, {WindowSize, false}, {2, true},
		{WindowSize + 1, true}, {1, false}, {2, false}, {3, true},
		{MaxNumber, true}, {MaxNumber - WindowSize, false}, {MaxNumber - WindowSize + 1, true}, {MaxNumber, false}, {WindowSize, false},
	} {
		if err := w.Take(c.n); (err == nil) != c.fresh {
			t.Errorf("%d: %v", c.n, err)
		}
	}
}

// A copy is another window: what was not committed is not seen.
func TestWindowIsAValue(t *testing.T) {
	var w Window
	next := w
	if err := next.Take(5); err != nil || w.Seen(5) || !next.Seen(5) {
		t.Errorf("%v; seen %v, %v", err, w.Seen(5), next.Seen(5))
	}
}

// Numbers that follow the clock: a text a second takes few bytes, and the
// largest window is bounded.
func TestWindowIsSmallOnDisk(t *testing.T) {
	var sparse, dense Window
	for i := range 10 {
		if err := sparse.Take(uint64(now.Add(time.Duration(i) * 5 * time.Second).UnixMilli())); err != nil {
			t.Fatal(err)
		}
	}
	for n := range uint64(WindowSize) {
		if err := dense.Take(n + 1); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		w    Window
		want int
	}{"sparse": {sparse, 9}, "dense": {dense, 521}, "empty": {Window{}, 9}} {
		if b, err := c.w.MarshalBinary(); err != nil || len(b) != c.want {
			t.Errorf("%s: %d bytes, %v, want %d", name, len(b), err, c.want)
		}
	}
}

// FuzzWindow: whatever is on disk is refused or is a window that is stored alike.
func FuzzWindow(f *testing.F) {
	var w Window
	for _, n := range []uint64{5000, 4999, 4000} {
		if err := w.Take(n); err != nil {
			f.Fatal(err)
		}
	}
	b, err := w.MarshalBinary()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte{1, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		var w, again Window
		if w.UnmarshalBinary(b) != nil {
			if w != (Window{}) {
				t.Fatal("a window comes with the error")
			}
			return
		}
		b, err := w.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		if err := again.UnmarshalBinary(b); err != nil || !reflect.DeepEqual(again, w) {
			t.Fatalf("%v: %v, %v", err, again.highest, w.highest)
		}
	})
}
