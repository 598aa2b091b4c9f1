package queue_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// A million queued must neither fill the memory nor slow the courier: the
// schedule is on disk, memory holds a window. These take minutes; they run with
// POSTHOUSE_LONG=1, and with a hundredth of the size otherwise.
func size(t *testing.T) int {
	if os.Getenv("POSTHOUSE_LONG") != "" {
		return 1_000_000
	}
	if testing.Short() {
		t.Skip("fills a store")
	}
	return 10_000
}

// heap is the live memory of the process in bytes.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// fill opens a store and puts n texts into it, each as make wants it.
func fill(t *testing.T, n int, make func(i int) *queue.Record) *boltstore.Store {
	t.Helper()
	s, err := boltstore.Open(filepath.Join(t.TempDir(), "queue.db"), boltstore.Options{NoSync: true, MinFree: -1, MaxBytes: 8 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	for i := 0; i < n; {
		var ops []queue.Op
		for ; i < n && len(ops) < 1000; i++ {
			ops = append(ops, queue.Op{New: make(i), Urgent: true})
		}
		if _, err := s.Apply(t.Context(), ops...); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// drain runs a courier until it has carried n jobs and gives how long that took.
func drain(t *testing.T, s queue.Store, n int, check func(r *queue.Record)) time.Duration {
	t.Helper()
	var carried atomic.Int64
	done := make(chan struct{})
	c := &carrier{does: func(j queue.Job) queue.Outcome {
		check(j.Record)
		if carried.Add(1) == int64(n) {
			close(done)
		}
		return queue.Outcome{Change: func(r *queue.Record) ([]*queue.Record, error) {
			r.Deliveries[j.Item.Delivery].State, r.Outcome = queue.Sent, queue.Sent
			return nil, nil
		}}
	}}
	courier := queue.NewCourier(queue.CourierOptions{
		Link: hill, Batch: 64, Parallel: 1, Store: s, Carrier: c, Log: slog.New(slog.DiscardHandler),
		Clock: clock.New(clock.Saved{}, time.Now, func() bool { return true }),
	})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	begin := time.Now()
	go func() { courier.Run(ctx); close(ended) }()
	select {
	case <-done:
	case <-time.After(2 * time.Minute):
		t.Errorf("%d of %d carried in two minutes", carried.Load(), n)
	}
	took := time.Since(begin)
	cancel()
	<-ended
	return took
}

func queued(from, to, text string, d queue.Delivery) *queue.Record {
	r := &queue.Record{
		Message:    message.Message{Kind: message.Text, From: from, To: to, Text: text, Precedence: message.Routine},
		Expires:    1 << 50,
		Deliveries: []queue.Delivery{d},
	}
	r.Deliveries[0].Link, r.Deliveries[0].To = hill, to
	return r
}

func TestAMillionInOneLane(t *testing.T) {
	n := size(t)
	s := fill(t, n, func(i int) *queue.Record {
		return queued("N0QRA-7", "ALL", fmt.Sprintf("text %d of a long queue", i), queue.Delivery{State: queue.Ready})
	})
	before := heap()
	last := uint64(0)
	const carry = 5000
	took := drain(t, s, carry, func(r *queue.Record) {
		if r.Seq <= last {
			t.Errorf("record %d after %d: the lane's order is lost", r.Seq, last)
		}
		last = r.Seq
	})
	grown := int64(heap()) - int64(before)
	t.Logf("%d in one lane: %d carried in %v (%.0f/s), live heap grew by %d KiB", n, carry, took, carry/took.Seconds(), grown>>10)
	if grown > 16<<20 {
		t.Errorf("memory grew by %d MiB: the queue is in memory", grown>>20)
	}
}

func TestAMillionLanesOfWhichTheOldestAreParked(t *testing.T) {
	n := size(t)
	parked := n / 100
	s := fill(t, n, func(i int) *queue.Record {
		d := queue.Delivery{State: queue.Ready}
		if i < parked {
			d = queue.Delivery{State: queue.Later, Due: 1 << 50} // waits out an error at the head of its lane
		}
		return queued(fmt.Sprintf("N0QRA-%d", i), fmt.Sprintf("N0QRB-%d", i), "a lane of its own", d)
	})
	before := heap()
	const carry = 5000
	took := drain(t, s, carry, func(r *queue.Record) {
		if r.Seq <= uint64(parked) {
			t.Errorf("record %d was carried, and waits", r.Seq)
		}
	})
	grown := int64(heap()) - int64(before)
	t.Logf("%d lanes, the oldest %d parked: %d carried in %v (%.0f/s), live heap grew by %d KiB", n, parked, carry, took, carry/took.Seconds(), grown>>10)
	if grown > 16<<20 {
		t.Errorf("memory grew by %d MiB: the queue is in memory", grown>>20)
	}
}

// counted counts the records that are read.
type counted struct {
	queue.Store
	gets atomic.Int64
}

func (s *counted) Get(ctx context.Context, seq uint64) (*queue.Record, error) {
	s.gets.Add(1)
	return s.Store.Get(ctx, seq)
}

// Many write much to each other: of each lane only a little is read ahead.
func TestManyDeepLanesStayOnDisk(t *testing.T) {
	const lanes, deep = 1000, 10
	s := &counted{Store: fill(t, lanes*deep, func(i int) *queue.Record {
		return queued(fmt.Sprint("N0QRA-", i%lanes), fmt.Sprint("N0QRB-", i%lanes), fmt.Sprint(i/lanes), queue.Delivery{State: queue.Ready})
	})}
	next, carried, ahead := map[string]int{}, int64(0), int64(0)
	drain(t, s, lanes*deep, func(r *queue.Record) {
		if want := fmt.Sprint(next[r.Message.From]); r.Message.Text != want {
			t.Errorf("%s gives text %s, want %s", r.Message.From, r.Message.Text, want)
		}
		next[r.Message.From]++
		carried++
		ahead = max(ahead, s.gets.Load()-carried)
	})
	if ahead > 3*lanes { // the head of each, and about as many behind them
		t.Errorf("%d records were read ahead of those that were carried", ahead)
	}
}
