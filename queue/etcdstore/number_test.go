//go:build hub

package etcdstore

import (
	"fmt"
	"slices"
	"sync"
	"testing"

	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
)

// TestNumbers: each process gives numbers by itself, and they tell the order all the
// same, wherever that can be known.
func TestNumbers(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	t.Run("are one apart while a process is alone", func(t *testing.T) {
		s := join(t, c, t.TempDir(), "alone")
		closing(t, s)
		for i := range 5 {
			if n := store(t, s, i); n != uint64(i+1) {
				t.Errorf("text %d has number %d", i, n)
			}
		}
	})
	t.Run("grow from process to process, where the one has seen the other's text", func(t *testing.T) {
		a, b := two(t, c)
		last := uint64(0)
		for i := range 50 {
			by, other := a, b
			if i%3 == 0 {
				by, other = b, a
			}
			n := store(t, by, i)
			if n <= last {
				t.Errorf("text %d has number %d, the one before it %d", i, n, last)
			}
			last = n
			until(t, "the other process to see it", func() bool { _, err := other.mirror.Get(t.Context(), n); return err == nil })
		}
	})
	t.Run("are given once, and in order by each, when both write at once", func(t *testing.T) { numbersAtOnce(t, c) })
	t.Run("go on above what is gone", numbersOfTheGone(c))
}

func numbersAtOnce(t *testing.T, c *etcdtest.Cluster) {
	a := join(t, c, t.TempDir(), "at once")
	b := join(t, c, t.TempDir(), "at once")
	closing(t, a)
	closing(t, b)
	const texts = 200
	var numbers [2][]uint64
	var both sync.WaitGroup
	for i, s := range []*Store{a, b} {
		both.Go(func() {
			for n := range texts {
				done, err := s.Apply(t.Context(), queue.Op{New: sample(i*texts + n)})
				if err != nil {
					t.Error(err)
					return
				}
				numbers[i] = append(numbers[i], done[0].Seq)
			}
		})
	}
	both.Wait()
	for i, list := range numbers {
		if !slices.IsSorted(list) {
			t.Errorf("process %d gave %v", i, list)
		}
	}
	all := slices.Concat(numbers[0], numbers[1])
	slices.Sort(all)
	if given := len(slices.Compact(all)); given != 2*texts {
		t.Errorf("%d texts have %d numbers", 2*texts, given)
	}
	until(t, "both mirrors are complete", func() bool { return a.Stats().Records == 2*texts && b.Stats().Records == 2*texts })
	sameRecords(t, a, b)
}

func numbersOfTheGone(c *etcdtest.Cluster) func(*testing.T) {
	return func(t *testing.T) {
		last := uint64(0)
		for round := range 3 {
			s := join(t, c, t.TempDir(), "gone")
			n := store(t, s, round)
			if n <= last {
				t.Errorf("in round %d a text has number %d, which was given before", round, n)
			}
			last = n
			end := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].State = queue.Sent; return nil, nil }
			if done, err := s.Apply(t.Context(), queue.Op{Seq: n, Change: end}); err != nil || done[0].Err != nil {
				t.Fatal(err, done)
			}
			if gone, err := s.Purge(t.Context(), 1<<40, 0, 10); gone != 1 || err != nil {
				t.Fatal(fmt.Sprint("Purge: ", gone, err))
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}
