//go:build hub && linux

package etcdstore

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"posthouse/queue"
	"posthouse/queue/boltstore"
	"posthouse/queue/etcdstore/etcdtest"
)

// The figures of deploy/hub/README.md:
//
//	go test -tags hub ./queue/etcdstore -run '^$' -bench . -benchtime 5000x

// BenchmarkAccept stores texts through one or several processes with a number of
// writers in all, each of which waits for its text before it hands in the next,
// and says what the middle and the slowest hundredth of them waited. members 0
// stands for bbolt, on the same disk.
func BenchmarkAccept(b *testing.B) {
	for _, n := range []struct{ members, processes, writers int }{
		{0, 1, 1}, {0, 1, 32}, {0, 1, 128},
		{1, 1, 1}, {1, 1, 32},
		{3, 1, 1}, {3, 1, 32}, {3, 1, 128}, {3, 2, 128}, {3, 4, 128},
	} {
		b.Run(fmt.Sprintf("members=%d/processes=%d/writers=%d", n.members, n.processes, n.writers), func(b *testing.B) {
			stores, c := several(b, n.members, n.processes)
			accept(b, stores, c, n.writers)
		})
	}
}

// several opens a queue so many times, as that many processes would.
func several(b *testing.B, members, processes int) (all []queue.Store, c *etcdtest.Cluster) {
	if members == 0 {
		s, err := boltstore.Open(filepath.Join(b.TempDir(), "queue.db"), boltstore.Options{})
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { s.Close() })
		return []queue.Store{s}, nil
	}
	c = etcdtest.Start(b, members)
	for range processes {
		s := join(b, c, b.TempDir(), "figures")
		closing(b, s)
		all = append(all, s)
	}
	return all, c
}

// accept says beside the rate what a text costs of processor time: all processes
// together, and all members.
func accept(b *testing.B, stores []queue.Store, c *etcdtest.Cluster, writers int) {
	var next atomic.Int64
	var waits stopwatch
	var wg sync.WaitGroup
	ours, theirs := spent(), spentBy(b, c)
	b.ResetTimer()
	for w := range writers {
		wg.Go(func() {
			for i := next.Add(1); i <= int64(b.N); i = next.Add(1) {
				begun := time.Now()
				if _, err := stores[w%len(stores)].Apply(b.Context(), queue.Op{New: sample(int(i)), SameFor: time.Hour}); err != nil {
					b.Error(err)
					return
				}
				waits.add(time.Since(begun))
			}
		})
	}
	wg.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "texts/s")
	b.ReportMetric(float64((spent()-ours).Microseconds())/float64(b.N), "cpu-us/text")
	b.ReportMetric(float64((spentBy(b, c)-theirs).Microseconds())/float64(b.N), "etcd-cpu-us/text")
	waits.report(b)
}

// stopwatch gathers how long each waited.
type stopwatch struct {
	mu  sync.Mutex
	all []time.Duration
}

func (w *stopwatch) add(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.all = append(w.all, d)
}

func (w *stopwatch) report(b *testing.B) {
	slices.Sort(w.all)
	b.ReportMetric(float64(w.all[len(w.all)/2].Microseconds())/1000, "ms-p50")
	b.ReportMetric(float64(w.all[len(w.all)*99/100].Microseconds())/1000, "ms-p99")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkGateways is a hub with so many gateways behind it, each of which hands in
// a text every five seconds, whether or not the one before it is confirmed: so a
// hub that does not keep up shows in the waits. Each text is marked as sent later.
func BenchmarkGateways(b *testing.B) {
	for _, n := range []int{10, 100, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			stores, _ := several(b, 3, 1)
			gateways(b, stores[0].(*Store), n) // once: it lasts as long as it lasts
		})
	}
}

const (
	handsIn = 5 * time.Second  // a text of each gateway
	watched = 20 * time.Second // how long the load lasts
)

func gateways(b *testing.B, s *Store, n int) {
	var waits stopwatch
	var all sync.WaitGroup
	pace := time.NewTicker(handsIn / time.Duration(n))
	defer pace.Stop()
	before, was := spent(), inUse(b, s)
	for i := range int(watched/handsIn) * n {
		<-pace.C
		due := time.Now()
		all.Go(func() {
			done, err := s.Apply(b.Context(), queue.Op{New: sample(i), SameFor: time.Hour})
			if err != nil {
				b.Error(err)
				return
			}
			waits.add(time.Since(due))
			sent := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].State = queue.Sent; return nil, nil }
			if _, err := s.Apply(b.Context(), queue.Op{Lazy: true, Seq: done[0].Seq, Change: sent}); err != nil {
				b.Error(err)
			}
		})
	}
	all.Wait()
	b.ReportMetric(float64(len(waits.all))/watched.Seconds(), "texts/s")
	b.ReportMetric(float64((spent()-before).Milliseconds())/watched.Seconds(), "cpu-ms/s")
	b.ReportMetric(float64(inUse(b, s)-was)/float64(len(waits.all)), "etcd-file-B/text")
	waits.report(b)
}

// inUse is how full a member of etcd is, history that is not compacted yet included.
func inUse(b *testing.B, s *Store) int64 {
	st, err := s.client.Status(b.Context(), s.opts.Endpoints[0])
	if err != nil {
		b.Fatal(err)
	}
	return st.DbSizeInUse
}

// spent is the processor time of this process; etcd's own is not in it.
func spent() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// spentBy is the processor time of etcd's members (proc(5), stat: fields 14 and 15, in
// hundredths of a second).
func spentBy(b *testing.B, c *etcdtest.Cluster) (all time.Duration) {
	for i := 0; c != nil && i < len(c.Endpoints); i++ {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", c.Pid(i)))
		if err != nil {
			b.Fatal(err)
		}
		_, rest, _ := strings.Cut(string(text), ") ")
		var state string
		var skip, user, system int64
		if _, err := fmt.Sscan(rest, &state, &skip, &skip, &skip, &skip, &skip, &skip, &skip, &skip, &skip, &skip, &user, &system); err != nil {
			b.Fatalf("%q: %v", rest, err)
		}
		all += time.Duration(user+system) * 10 * time.Millisecond
	}
	return all
}

// BenchmarkOpenRecords says what 100,000 texts that wait take: in the process, in
// its mirror's file, and in a member of etcd, of its file and of its memory.
func BenchmarkOpenRecords(b *testing.B) {
	const records, atOnce = 100_000, 30
	c := etcdtest.Start(b, 1)
	dir := b.TempDir()
	s := join(b, c, dir, "memory")
	closing(b, s)
	measure := func() [4]int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		mirror, err := os.Stat(filepath.Join(dir, "mirror.db"))
		if err != nil {
			b.Fatal(err)
		}
		return [4]int64{int64(m.HeapAlloc), mirror.Size(), inUse(b, s), resident(b, c.Pid(0))}
	}
	before := measure()
	var all sync.WaitGroup
	for w := range 8 {
		all.Go(func() {
			for first := w * atOnce; first < records; first += 8 * atOnce {
				var ops []queue.Op
				for i := first; i < min(first+atOnce, records); i++ {
					ops = append(ops, queue.Op{New: sample(i), SameFor: time.Hour})
				}
				if _, err := s.Apply(b.Context(), ops...); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	after := measure()
	for i, what := range []string{"process-B/record", "mirror-B/record", "etcd-file-B/record", "etcd-memory-B/record"} {
		b.ReportMetric(float64(after[i]-before[i])/records, what)
	}
	b.ReportMetric(0, "ns/op")
}

// resident is the memory of its own that a process has, in bytes (proc(5), RssAnon).
func resident(b *testing.B, pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		var kib int64
		if n, _ := fmt.Sscanf(line, "RssAnon: %d kB", &kib); n == 1 {
			return kib << 10
		}
	}
	b.Fatal("no RssAnon")
	return 0
}
