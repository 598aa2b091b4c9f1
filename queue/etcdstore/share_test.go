//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
)

// sample makes a text with an identity of its own number.
func sample(i int) *queue.Record {
	to := fmt.Sprintf("N0QRB-%d", i%13)
	return &queue.Record{
		Message: message.Message{Kind: message.Text, From: fmt.Sprintf("N0QRA-%d", i%15), To: to, OriginID: fmt.Sprint(i), Link: "valley",
			Text: fmt.Sprintf("text %d: the road is open, send two people with a stretcher to the upper camp", i), Precedence: message.Routine},
		Identity:   queue.Identity{byte(i), byte(i >> 8), byte(i >> 16), byte(i >> 24), 1},
		Accepted:   queue.Stamp{Age: 1000},
		Expires:    1 << 40,
		Deliveries: []queue.Delivery{{Link: "far", To: to, State: queue.Ready}},
	}
}

func closing(t testing.TB, s *Store) {
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
}

// two opens one queue twice, as two processes would.
func two(t testing.TB, c *etcdtest.Cluster) (a, b *Store) {
	a, b = join(t, c, t.TempDir(), "N0QRA-10"), join(t, c, t.TempDir(), "N0QRA-10")
	closing(t, a)
	closing(t, b)
	return a, b
}

// until waits for what has to happen.
func until(t testing.TB, what string, happened func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !happened(); {
		if time.Now().After(end) {
			t.Fatalf("a minute has passed and still not: %s", what)
		}
		select {
		case <-t.Context().Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// sameRecords compares the mirrors of two processes, record by record.
func sameRecords(t testing.TB, stores ...*Store) []*queue.Record {
	t.Helper()
	var first []*queue.Record
	for i, s := range stores {
		if err := s.Verify(context.Background()); err != nil {
			t.Errorf("process %d: %v", i, err)
		}
		all, err := s.List(context.Background(), false, 0, 1<<30)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = all
		} else if got, want := fmt.Sprintf("%+v", values(all)), fmt.Sprintf("%+v", values(first)); got != want {
			t.Errorf("process %d has\n%.2000s\nthe first\n%.2000s", i, got, want)
		}
	}
	return first
}

func values(list []*queue.Record) (all []queue.Record) {
	for _, r := range list {
		all = append(all, *r)
	}
	return all
}

func TestTwoProcesses(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	t.Run("store the same message once, whoever is first", func(t *testing.T) { oneRecord(t, c) })
	t.Run("change one record without losing a change", func(t *testing.T) { allChanges(t, c) })
	t.Run("hear of each other's messages", func(t *testing.T) { hints(t, c) })
	t.Run("go on when the first member dies", func(t *testing.T) { memberDies(t, c) })
}

func oneRecord(t *testing.T, c *etcdtest.Cluster) {
	a, b := two(t, c)
	const messages = 200
	var mu sync.Mutex
	created, number := map[int]int{}, map[int]uint64{}
	var wg sync.WaitGroup
	for _, s := range []*Store{a, b, a, b} {
		wg.Go(func() {
			for i := range messages {
				done, err := s.Apply(t.Context(), queue.Op{New: sample(i), SameFor: time.Hour})
				if err != nil {
					t.Errorf("Apply: %v", err)
					return
				}
				mu.Lock()
				if !done[0].Duplicate {
					created[i]++
				}
				if was, ok := number[i]; ok && was != done[0].Seq {
					t.Errorf("message %d is record %d and record %d", i, was, done[0].Seq)
				}
				number[i] = done[0].Seq
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	for i := range messages {
		if created[i] != 1 {
			t.Errorf("message %d was created %d times", i, created[i])
		}
	}
	until(t, "both mirrors are complete", func() bool { return a.Stats().Records == messages && b.Stats().Records == messages })
	if all := sameRecords(t, a, b); len(all) != messages {
		t.Errorf("%d records, want %d", len(all), messages)
	}
}

func allChanges(t *testing.T, c *etcdtest.Cluster) {
	a, b := two(t, c)
	seq := store(t, a, 1)
	const each = 50
	var wg sync.WaitGroup
	for _, s := range []*Store{a, b} {
		wg.Go(func() {
			for range each {
				done, err := s.Apply(t.Context(), queue.Op{Seq: seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
					r.Deliveries[0].Attempts++
					return nil, nil
				}})
				if err != nil || done[0].Err != nil {
					t.Errorf("Change: %v, %v", err, done)
				}
			}
		})
	}
	wg.Wait()
	attempts := func(s *Store) int {
		r, err := s.Get(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		return r.Deliveries[0].Attempts
	}
	until(t, "both see all changes", func() bool { return attempts(a) == 2*each && attempts(b) == 2*each })
}

// TestLargeCalls: what one transaction of etcd does not hold is carried out all the same,
// and each op is answered once: what a batch from a trunk with hundreds of gateways
// brings, texts and a mark for each of their keys.
func TestLargeCalls(t *testing.T) {
	t.Parallel()
	s := join(t, etcdtest.Start(t, 1), t.TempDir(), "large")
	closing(t, s)
	const texts, marks = 250, 300
	var ops []queue.Op
	for i := range texts {
		r := sample(i)
		r.Event = queue.Identity{byte(i), byte(i >> 8), 2}
		ops = append(ops, queue.Op{New: r, SameFor: time.Hour, EventFor: time.Hour})
	}
	put := map[string][]byte{}
	for i := range marks {
		put[fmt.Sprint("mark/", i)] = []byte{1}
	}
	told := 0
	ops = append(ops, queue.Op{Put: put, Then: func(queue.Done) { told++ }})
	done, err := s.Apply(t.Context(), ops...)
	if err != nil || len(done) != len(ops) || told != 1 {
		t.Fatalf("%d answers to %d ops, the marks told of %d times: %v", len(done), len(ops), told, err)
	}
	for i := 1; i < texts; i++ {
		if done[i].Seq <= done[i-1].Seq {
			t.Errorf("text %d has number %d, the one before it %d", i, done[i].Seq, done[i-1].Seq)
		}
	}
	if all, err := s.Settings(t.Context(), "mark/"); len(all) != marks || err != nil {
		t.Errorf("%d marks of %d, %v", len(all), marks, err)
	}
	if all := sameRecords(t, s); len(all) != texts {
		t.Errorf("%d records of %d", len(all), texts)
	}
}

// store has a process take over a sample, and gives its number.
func store(t testing.TB, s *Store, i int) uint64 {
	t.Helper()
	done, err := s.Apply(t.Context(), queue.Op{New: sample(i)})
	if err != nil {
		t.Fatal(err)
	}
	return done[0].Seq
}

func hints(t *testing.T, c *etcdtest.Cluster) {
	a, b := two(t, c)
	hints := b.Watch()
	if _, err := a.Apply(t.Context(), queue.Op{New: sample(1)}, queue.Op{Put: map[string][]byte{"quiet/far": {1}}}); err != nil {
		t.Fatal(err)
	}
	select {
	case link := <-hints:
		if link != "far" {
			t.Errorf("it heard of link %q", link)
		}
	case <-time.After(time.Minute):
		t.Fatal("the other process has not heard of it")
	}
	if v, err := b.Setting(t.Context(), "quiet/far"); len(v) != 1 || err != nil {
		t.Errorf("the other's setting: %v, %v", v, err)
	}
}

func memberDies(t *testing.T, c *etcdtest.Cluster) {
	a, b := two(t, c)
	c.Kill(0)
	defer func() { c.Up(0); c.Await(0) }()
	stored := uint64(0)
	for i := range 20 { // an answer may take an election
		for _, s := range []*Store{a, b} {
			if _, err := s.Apply(t.Context(), queue.Op{New: sample(i)}); err == nil {
				stored++
			} else if !errors.Is(err, queue.ErrUncertain) {
				t.Logf("Apply: %v", err)
			}
		}
	}
	if stored < 30 {
		t.Errorf("only %d of 40 texts were taken over while two of three members lived", stored)
	}
	until(t, "both mirrors have what was taken over", func() bool {
		return a.Stats().Records >= int64(stored) && a.Stats().Records == b.Stats().Records
	})
	sameRecords(t, a, b)
}
