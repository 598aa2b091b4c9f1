//go:build hub

package etcdstore

import (
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/queue"
	"posthouse/queue/etcdstore/etcdtest"
)

// BenchmarkAccept stores texts through one or several processes on three members,
// with a number of writers in all, and says what the middle and the slowest
// hundredth of the writers waited.
func BenchmarkAccept(b *testing.B) {
	for _, n := range []struct{ processes, writers int }{{1, 1}, {1, 32}, {2, 64}, {4, 128}} {
		b.Run(fmt.Sprintf("processes=%d/writers=%d", n.processes, n.writers), func(b *testing.B) {
			accept(b, n.processes, n.writers)
		})
	}
}

func accept(b *testing.B, processes, writers int) {
	c := etcdtest.Start(b, 3)
	var stores []*Store
	for range processes {
		s := join(b, c, b.TempDir(), "figures")
		closing(b, s)
		stores = append(stores, s)
	}
	var next atomic.Int64
	var mu sync.Mutex
	var waits []time.Duration
	var wg sync.WaitGroup
	b.ResetTimer()
	for w := range writers {
		wg.Go(func() {
			var mine []time.Duration
			for i := next.Add(1); i <= int64(b.N); i = next.Add(1) {
				begun := time.Now()
				if _, err := stores[w%processes].Apply(b.Context(), queue.Op{New: sample(int(i)), SameFor: time.Hour}); err != nil {
					b.Error(err)
					return
				}
				mine = append(mine, time.Since(begun))
			}
			mu.Lock()
			defer mu.Unlock()
			waits = append(waits, mine...)
		})
	}
	wg.Wait()
	b.StopTimer()
	slices.Sort(waits)
	b.ReportMetric(float64(len(waits))/b.Elapsed().Seconds(), "texts/s")
	b.ReportMetric(float64(waits[len(waits)/2].Microseconds())/1000, "ms-p50")
	b.ReportMetric(float64(waits[len(waits)*99/100].Microseconds())/1000, "ms-p99")
}
