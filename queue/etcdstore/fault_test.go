//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
)

// impatient lets faults show sooner than in the field, and not yet where a busy machine is
// slow.
func impatient(o *Options) { o.Timeout, o.TTL = time.Second, 4*time.Second }

// wired opens a queue through wires that can be cut.
func wired(t testing.TB, c *etcdtest.Cluster, name string, options ...func(*Options)) (*Store, []*etcdtest.Wire) {
	wires := c.Wires()
	s := join(t, c, t.TempDir(), name, append(options, impatient, func(o *Options) {
		o.Endpoints = nil
		for _, w := range wires {
			o.Endpoints = append(o.Endpoints, w.Addr)
		}
	})...)
	closing(t, s)
	return s, wires
}

// TestWritesWithoutAnAnswer cuts the wires again and again while texts are stored,
// so that answers get lost on their way, and asks: is each text that was
// confirmed there, and none twice?
func TestWritesWithoutAnAnswer(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	s, wires := wired(t, c, "answers")
	ctx, cancel := context.WithTimeout(t.Context(), 8*time.Second)
	defer cancel()
	var cuts sync.WaitGroup
	cuts.Go(func() {
		for i := 1; ctx.Err() == nil; i++ {
			select {
			case <-ctx.Done():
			case <-time.After(time.Duration(i%7) * 100 * time.Millisecond):
			}
			wires[0].Cut()
			select {
			case <-ctx.Done():
			case <-time.After(600 * time.Millisecond): // longer than an answer is waited for
			}
			wires[0].Mend()
		}
	})
	var mu sync.Mutex
	confirmed, changed := map[string]bool{}, 0
	var writers sync.WaitGroup
	for w := range 8 {
		writers.Go(func() {
			for i := w; ctx.Err() == nil; i += 8 {
				r := sample(i)
				r.Identity = queue.Identity{} // nothing but the store's own care keeps it from being there twice
				done, err := s.Apply(ctx, queue.Op{New: r}, queue.Op{Lazy: true, Put: map[string][]byte{"n": {byte(i)}}})
				if err != nil {
					continue
				}
				mu.Lock()
				confirmed[r.Message.OriginID] = true
				mu.Unlock()
				lazily := queue.Op{Lazy: true, Seq: done[0].Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
					r.Deliveries[0].Attempts++
					return nil, nil
				}}
				if _, err := s.Apply(context.Background(), lazily); err == nil {
					mu.Lock()
					changed++
					mu.Unlock()
				}
			}
		})
	}
	writers.Wait()
	cuts.Wait()
	if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"end": {1}}}); err != nil { // behind the lazy ones
		until(t, "it writes again", func() bool {
			_, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"end": {1}}})
			return err == nil
		})
	}
	seen, attempts := map[string]int{}, 0
	for _, r := range sameRecords(t, s) {
		seen[r.Message.OriginID]++
		attempts += r.Deliveries[0].Attempts
		if r.Deliveries[0].Attempts > 1 {
			t.Errorf("a change was carried out %d times", r.Deliveries[0].Attempts)
		}
	}
	for id, n := range seen {
		if n > 1 {
			t.Errorf("text %s is there %d times", id, n)
		}
	}
	for id := range confirmed {
		if seen[id] == 0 {
			t.Errorf("text %s was confirmed and is not there", id)
		}
	}
	if attempts != changed {
		t.Errorf("%d lazy changes were taken, %d were carried out", changed, attempts)
	}
	if len(confirmed) == 0 || len(seen) == 0 {
		t.Error("nothing was stored: this test looked at nothing")
	}
	t.Logf("%d confirmed, %d stored", len(confirmed), len(seen))
}

func TestNoMajority(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 3)
	s, _ := wired(t, c, "majority")
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); err != nil {
		t.Fatal(err)
	}
	c.Kill(1)
	c.Kill(2)
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(2), SameFor: time.Hour}); err == nil {
		t.Fatal("a text was confirmed without a majority")
	} else {
		t.Log(err)
	}
	if r, err := s.Get(t.Context(), 1); err != nil || r.Seq != 1 {
		t.Errorf("reading without a majority: %v", err)
	}
	c.Up(1)
	c.Await(1)
	until(t, "texts are taken over again", func() bool {
		_, err := s.Apply(t.Context(), queue.Op{New: sample(2), SameFor: time.Hour})
		return err == nil
	})
	if all := sameRecords(t, s); len(all) != 2 {
		t.Errorf("%d records, want 2: the text that was not confirmed came twice, or not", len(all))
	}
}

// TestTakenForDead: who does not show that it lives writes nothing more until it
// has joined anew, also what was on its way.
func TestTakenForDead(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	s, wires := wired(t, c, "dead")
	first := s.session.life()
	wires[0].Cut()
	until(t, "it takes itself for dead", func() bool { return s.session.life() == 0 })
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(1)}); err == nil {
		t.Error("a dead process stored a text")
	}
	other := join(t, c, t.TempDir(), "dead", impatient)
	closing(t, other)
	until(t, "the other takes it for dead", func() bool { return len(other.session.living()) == 1 })
	wires[0].Mend()
	until(t, "it has joined anew", func() bool { life := s.session.life(); return life != 0 && life != first })
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(2)}); err != nil {
		t.Errorf("after joining anew: %v", err)
	}
	until(t, "they see each other", func() bool { return len(other.session.living()) == 2 && len(s.session.living()) == 2 })
}

// TestCompacted: what a process missed was compacted away before it could ask.
func TestCompacted(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	s, wires := wired(t, c, "history")
	other := join(t, c, t.TempDir(), "history")
	closing(t, other)
	var first []uint64
	for i := range 20 {
		first = append(first, store(t, other, i))
	}
	until(t, "both have them", func() bool { return s.Stats().Records == 20 })
	wires[0].Cut()
	finish := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].State = queue.Sent; return nil, nil }
	for i := range 10 {
		if _, err := other.Apply(t.Context(), queue.Op{Seq: first[i], Change: finish}, queue.Op{New: sample(100 + i)}); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := other.Purge(t.Context(), 1<<40, 0, 5); n != 5 || err != nil {
		t.Fatalf("Purge: %d, %v", n, err)
	}
	if _, err := other.client.Compact(t.Context(), other.follower.position(), clientv3.WithCompactPhysical()); err != nil {
		t.Fatal(err)
	}
	wires[0].Mend()
	until(t, "the mirror was filled anew", func() bool { return s.Stats().Records == 25 })
	sameRecords(t, s, other)
	until(t, "it writes again", func() bool { // it may still have to join anew
		_, err := s.Apply(t.Context(), queue.Op{New: sample(999)})
		return err == nil
	})
}

// TestFull: with the space quota used up new texts are refused, and once an
// operator has made room the store works again.
func TestFull(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1, "--quota-backend-bytes", "2500000")
	s := join(t, c, t.TempDir(), "full")
	closing(t, s)
	big := func(i int) *queue.Record {
		r := sample(i)
		r.Message.Text = string(make([]byte, 60000))
		return r
	}
	var full error
	stored := 0
	for i := range 100 {
		if _, full = s.Apply(t.Context(), queue.Op{New: big(i)}); full != nil {
			break
		}
		stored++
	}
	if !errors.Is(full, queue.ErrFull) {
		t.Fatalf("with the quota used up Apply gave %v", full)
	}
	t.Logf("after %d records: %v", stored, full)
	// With the alarm raised etcd takes deletions only: here the operator lends a hand.
	gone, err := s.client.Delete(t.Context(), s.keys.prefix+"r/", clientv3.WithPrefix())
	if err != nil {
		t.Fatal(err)
	}
	makeRoom(t, s, gone.Header.Revision)
	until(t, "there is room again", func() bool {
		_, err := s.Apply(t.Context(), queue.Op{New: big(1000)})
		return err == nil
	})
	until(t, "the mirror has what is left", func() bool { return s.Stats().Records == 1 })
}

// makeRoom does what the manual says.
func makeRoom(t testing.TB, s *Store, revision int64) {
	t.Helper()
	if _, err := s.client.Compact(t.Context(), revision, clientv3.WithCompactPhysical()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.client.Defragment(t.Context(), s.opts.Endpoints[0]); err != nil {
		t.Fatal(err)
	}
	if _, err := s.client.AlarmDisarm(t.Context(), &clientv3.AlarmMember{}); err != nil {
		t.Fatal(err)
	}
}

// TestReserve: near the end of the quota only what must not wait is let in.
func TestReserve(t *testing.T) {
	t.Parallel()
	c := etcdtest.Start(t, 1)
	s := join(t, c, t.TempDir(), "reserve")
	closing(t, s)
	if _, err := s.Apply(t.Context(), queue.Op{New: sample(1), SameFor: time.Hour}); err != nil {
		t.Fatal(err)
	}
	s.lookRoom(t.Context())
	s.room.quota.Store(s.room.bytes.Load() + 1)
	receipt, emergency := sample(3), sample(4)
	receipt.Message.Kind, emergency.Message.Precedence = message.Receipt, message.Emergency
	for _, c := range []struct {
		what string
		op   queue.Op
		full bool
	}{
		{"a new text", queue.Op{New: sample(2), SameFor: time.Hour}, true},
		{"a text that is known", queue.Op{New: sample(1), SameFor: time.Hour}, false},
		{"a receipt", queue.Op{New: receipt}, false},
		{"an emergency", queue.Op{New: emergency}, false},
		{"the operator's own", queue.Op{New: sample(5), Urgent: true}, false},
	} {
		if _, err := s.Apply(t.Context(), c.op); errors.Is(err, queue.ErrFull) != c.full {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}
