package queue_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// sink carries out everything at once and says when all has come.
type sink struct {
	left atomic.Int64
	done chan struct{}
}

func (s *sink) Open() bool                                    { return true }
func (s *sink) Pace(*queue.Record, int) (time.Duration, bool) { return 0, false }
func (s *sink) Overdue(*queue.Record) bool                    { return false }

func (s *sink) Carry(_ context.Context, jobs []queue.Job) []queue.Outcome {
	out := make([]queue.Outcome, len(jobs))
	for i, j := range jobs {
		out[i].Change = func(r *queue.Record) ([]*queue.Record, error) {
			r.Deliveries[j.Item.Delivery].State = queue.Sent
			return nil, nil
		}
	}
	if s.left.Add(-int64(len(jobs))) == 0 {
		close(s.done)
	}
	return out
}

// BenchmarkCourier measures how fast a courier gets through a full queue: what
// it reads, chooses and files, with a link that costs nothing. Mail goes out one by
// one, eight at once.
func BenchmarkCourier(b *testing.B) {
	for _, c := range []struct{ lanes, batch, parallel int }{{1, 64, 1}, {10, 64, 1}, {1000, 64, 1}, {500, 1, 8}} {
		b.Run(fmt.Sprintf("lanes=%d,batch=%d", c.lanes, c.batch), func(b *testing.B) {
			store, err := boltstore.Open(filepath.Join(b.TempDir(), "queue.db"), boltstore.Options{NoSync: true, MinFree: -1})
			if err != nil {
				b.Fatal(err)
			}
			defer store.Close()
			fillQueue(b, store, c.lanes)
			s := &sink{done: make(chan struct{})}
			s.left.Store(int64(b.N))
			c := queue.NewCourier(queue.CourierOptions{
				Link: "hill", Batch: c.batch, Parallel: c.parallel, Store: store, Clock: clock.System(clock.Saved{}), Carrier: s, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
			})
			ctx, cancel := context.WithCancel(b.Context())
			var running sync.WaitGroup
			b.ReportAllocs()
			b.ResetTimer()
			running.Go(func() { c.Run(ctx) })
			<-s.done
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "texts/s")
			b.StopTimer()
			cancel()
			running.Wait()
		})
	}
}

// fillQueue puts b.N texts for one link into a store, spread over lanes.
func fillQueue(b *testing.B, store queue.Store, lanes int) {
	b.Helper()
	const atOnce = 500
	var ops []queue.Op
	for i := range b.N {
		ops = append(ops, queue.Op{New: &queue.Record{
			Message:    message.Message{Kind: message.Text, From: fmt.Sprint("N0QRA-", i%lanes), To: "ALL", Text: "all well at the north camp", Precedence: message.Routine},
			Deliveries: []queue.Delivery{{Link: "hill", To: "ALL", State: queue.Ready}},
			Expires:    1 << 60, Until: 1 << 60,
		}})
		if len(ops) == atOnce || i == b.N-1 {
			if _, err := store.Apply(b.Context(), ops...); err != nil {
				b.Fatal(err)
			}
			ops = ops[:0]
		}
	}
}
