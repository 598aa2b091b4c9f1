//go:build !race

package bridge_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/adapters/memory"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue/boltstore"

	"github.com/prometheus/client_golang/prometheus"
)

// benchGateway runs a gateway outside of any bubble, on a store that syncs, with
// its log written as the daemon writes it. It gives its two meshes.
func benchGateway(b testing.TB) (valley, hill *memory.Link) {
	b.Helper()
	cfg, findings := config.Load(settings("POSTHOUSE_RATE=1000000/1s"), config.Hooks{})
	if config.HasErrors(findings) {
		b.Fatal(findings)
	}
	store, err := boltstore.Open(filepath.Join(b.TempDir(), "queue.db"), boltstore.Options{})
	if err != nil {
		b.Fatal(err)
	}
	made, links, labels := map[string]*memory.Link{}, map[string]link.Link{}, []metrics.Link{}
	for _, l := range cfg.Links {
		made[l.Name] = memory.New(properties(&l))
		links[l.Name] = made[l.Name]
		labels = append(labels, metrics.Link{Name: l.Name, Kind: l.Kind})
	}
	ctx, cancel := context.WithCancel(context.Background())
	gw, err := bridge.New(ctx, bridge.Options{
		Config: cfg, Links: links, Store: store, Clock: clock.System(clock.Saved{}),
		Meter: metrics.New(prometheus.NewRegistry(), labels, link.Codes), Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		b.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() {
		if err := gw.Run(ctx); err != nil {
			b.Error(err)
		}
	})
	b.Cleanup(func() {
		cancel()
		running.Wait()
		if err := store.Close(); err != nil {
			b.Error(err)
		}
	})
	for {
		if _, err := made["hill"].Hear(ctx, message.Message{Kind: message.Beacon, From: "N0QRB-9"}); err == nil {
			return made["valley"], made["hill"]
		}
		time.Sleep(time.Millisecond) // until the link runs
	}
}

// write has so many stations hand in n texts to everybody, each its next one when
// the one before is on disk.
func write(b testing.TB, valley *memory.Link, n, senders int) {
	b.Helper()
	var next atomic.Int64
	var writing sync.WaitGroup
	for s := range senders {
		writing.Go(func() {
			from := fmt.Sprintf("N0QR%c-%d", 'A'+s%24, 1+s/24)
			for i := next.Add(1); i <= int64(n); i = next.Add(1) {
				id := strconv.FormatInt(i, 36)
				v, err := valley.Hear(b.Context(), message.Message{
					Kind: message.Text, From: from, To: "ALL", OriginID: id,
					Text: id + " all well at the north camp, water and food for two days, the road is open again",
				})
				if err != nil || v.Code != "" {
					b.Errorf("not accepted: %+v, %v", v, err)
					return
				}
			}
		})
	}
	writing.Wait()
}

func perSecond(b *testing.B, unit string) {
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), unit)
}

// BenchmarkAccept measures durable accepts while the link they are for is down:
// with one sender a commit each, with many as many as come in during a commit.
func BenchmarkAccept(b *testing.B) {
	for _, senders := range []int{1, 10, 100} {
		b.Run(fmt.Sprintf("senders=%d", senders), func(b *testing.B) {
			valley, hill := benchGateway(b)
			hill.Down("away")
			b.ReportAllocs()
			b.ResetTimer()
			write(b, valley, b.N, senders)
			perSecond(b, "texts/s")
		})
	}
}

// BenchmarkWay measures the whole way: accept, queue, courier, the other link.
func BenchmarkWay(b *testing.B) {
	for _, senders := range []int{1, 100} {
		b.Run(fmt.Sprintf("senders=%d", senders), func(b *testing.B) {
			valley, hill := benchGateway(b)
			b.ReportAllocs()
			b.ResetTimer()
			var writing sync.WaitGroup
			writing.Go(func() { write(b, valley, b.N, senders) })
			for range b.N {
				<-hill.Sent()
			}
			writing.Wait()
			perSecond(b, "texts/s")
		})
	}
}

// mostAllocations is what one text may allocate on its whole way: accepted,
// committed, carried and filed, with its lines of log.
const mostAllocations = 320

func TestAllocationsOfTheWholeWay(t *testing.T) {
	const texts, senders = 1000, 100
	valley, hill := benchGateway(t)
	through := func(n int) {
		var writing sync.WaitGroup
		writing.Go(func() { write(t, valley, n, senders) })
		for range n {
			<-hill.Sent()
		}
		writing.Wait()
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	through(texts)
	runtime.ReadMemStats(&after)
	if got := (after.Mallocs - before.Mallocs) / texts; got > mostAllocations {
		t.Errorf("a text takes %d allocations, want at most %d", got, mostAllocations)
	}
}
