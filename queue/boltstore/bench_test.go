//go:build linux

package boltstore

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// procFigure reads a number from a file below /proc/self.
func procFigure(b *testing.B, file, name string) (n int64) {
	b.Helper()
	text, err := os.ReadFile("/proc/self/" + file)
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, name+":"); ok {
			if _, err := fmt.Sscan(rest, &n); err != nil {
				b.Fatal(err)
			}
		}
	}
	return n
}

// written gives the bytes that this process has handed to write calls.
func written(b *testing.B) int64 { return procFigure(b, "io", "wchar") }

// aged gives a store that has been in use: n finished records and a few open.
func aged(b *testing.B, n int) *Store {
	b.Helper()
	s := openIn(b, b.TempDir(), Options{NoSync: true, LogBytes: walSize})
	fill(b, s, n+5)
	finishAll(b, s, 1, uint64(n))
	s.background.Wait()
	s.alone(context.Background(), func() error { s.file.db.NoSync = false; return s.file.db.Sync() })
	b.Cleanup(func() { closeStore(b, s) })
	return s
}

func BenchmarkNew(b *testing.B) {
	for _, writers := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprint("writers=", writers), func(b *testing.B) {
			s := aged(b, 20_000)
			var mu sync.Mutex
			next, bytes := 100_000, written(b)
			b.ReportAllocs()
			b.ResetTimer()
			var wg sync.WaitGroup
			for range writers {
				wg.Go(func() {
					for {
						mu.Lock()
						next++
						i := next
						mu.Unlock()
						if i > 100_000+b.N {
							return
						}
						r := sample(i)
						if _, err := s.Apply(context.Background(), queue.Op{New: r, SameFor: time.Hour}); err != nil {
							b.Error(err)
							return
						}
					}
				})
			}
			wg.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
			b.ReportMetric(float64(written(b)-bytes)/float64(b.N), "bytes-written/record")
		})
	}
}

// BenchmarkLone is a quiet gateway: a record comes, is sent, and the mark of that
// rides in the next commit; few are open.
func BenchmarkLone(b *testing.B) {
	for _, n := range []int{0, 1000, 100_000} {
		b.Run(fmt.Sprint("finished=", n), func(b *testing.B) {
			s := aged(b, n)
			bytes := written(b)
			b.ResetTimer()
			for i := range b.N {
				r := sample(200_000 + i)
				r.Accepted.Age = queueAge(i * 60)
				d, err := s.Apply(context.Background(), queue.Op{New: r, SameFor: time.Hour})
				if err != nil {
					b.Fatal(err)
				}
				if _, err := s.Apply(context.Background(), queue.Op{Lazy: true, Seq: d[0].Seq, Change: finish}); err != nil {
					b.Fatal(err)
				}
				if i%60 == 0 {
					if _, err := s.Purge(context.Background(), 0, queueAge(i*60)-26*3600e3, 0); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.StopTimer()
			b.ReportMetric(float64(written(b)-bytes)/float64(b.N), "bytes-written/record")
		})
	}
}

// BenchmarkCycle is New and then the lazy mark that it was sent, by 100 writers.
func BenchmarkCycle(b *testing.B) {
	s := aged(b, 20_000)
	var next sync.Mutex
	i := 100_000
	bytes := written(b)
	b.ReportAllocs()
	b.ResetTimer()
	var wg sync.WaitGroup
	for range 100 {
		wg.Go(func() {
			for {
				next.Lock()
				i++
				n := i
				next.Unlock()
				if n > 100_000+b.N {
					return
				}
				d, err := s.Apply(context.Background(), queue.Op{New: sample(n), SameFor: time.Hour})
				if err != nil {
					b.Error(err)
					return
				}
				if _, err := s.Apply(context.Background(), queue.Op{Lazy: true, Seq: d[0].Seq, Change: finish}); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "records/s")
	b.ReportMetric(float64(written(b)-bytes)/float64(b.N), "bytes-written/record")
}

// BenchmarkHeads asks for the next 100 of 100,000 in their own lanes.
func BenchmarkHeads(b *testing.B) {
	s := openIn(b, b.TempDir(), Options{NoSync: true, LogBytes: walSize})
	defer closeStore(b, s)
	for i := 0; i < 100_000; i += 500 {
		var ops []queue.Op
		for j := range 500 {
			r := sample(i + j)
			r.Message.From = fmt.Sprint("N0QRA", i+j)
			ops = append(ops, queue.Op{New: r})
		}
		if _, err := s.Apply(context.Background(), ops...); err != nil {
			b.Fatal(err)
		}
	}
	b.ResetTimer()
	for i := range b.N {
		items, err := s.Heads(context.Background(), "far", message.Routine, 0, uint64(i%90_000), 100)
		if err != nil || len(items) != 100 {
			b.Fatal(len(items), err)
		}
	}
}

// BenchmarkMillion starts on 1,000,000 finished records after a crash.
func BenchmarkMillion(b *testing.B) {
	if testing.Short() {
		b.Skip("makes a file of a million records")
	}
	const n = 1_000_000
	dir := b.TempDir()
	s := openIn(b, dir, Options{NoSync: true, LogBytes: walSize})
	for from := 0; from < n; from += 10_000 {
		fill(b, s, 10_000)
		finishAll(b, s, uint64(from+1), uint64(from+10_000))
	}
	s.background.Wait()
	settle(b, s)
	fill(b, s, 3000) // the log is as long as it gets
	size := s.Stats().Bytes
	crash(b, s)
	b.Run("start", func(b *testing.B) {
		for range b.N {
			s := openIn(b, dir, Options{LogBytes: walSize})
			if _, err := s.Heads(context.Background(), "far", message.Routine, 0, 0, 100); err != nil || s.Stats().Records != n+3000 {
				b.Fatal(s.Stats(), err)
			}
			b.StopTimer()
			crash(b, s)
			b.StartTimer()
		}
		b.ReportMetric(float64(size)/n, "file-bytes/record")
	})
}

// crash ends a store without a checkpoint.
func crash(b *testing.B, s *Store) {
	b.Helper()
	var err error
	s.mu.Lock()
	db := s.file.db
	err, s.bad = s.txn.tx.Rollback(), errors.New("crashed")
	s.mu.Unlock()
	if closeErr := s.Close(); err != nil || !errors.Is(closeErr, s.bad) {
		b.Fatal(err, closeErr)
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkMemory says what memory is live at the worst moment while the last tenth
// of so many are queued, and what is written for a record: identities lie at random,
// as hashes do.
func BenchmarkMemory(b *testing.B) {
	for _, n := range []int{10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprint(n, " queued"), func(b *testing.B) {
			if testing.Short() {
				b.Skip("fills a store")
			}
			s := openIn(b, b.TempDir(), Options{NoSync: true, LogBytes: walSize, MaxBytes: 8 << 30})
			defer closeStore(b, s)
			before, most, bytes := liveHeap(), int64(0), int64(0)
			for i := 0; i < n; {
				ops := make([]queue.Op, 100) // about what a commit at full rate has
				for j := range ops {
					ops[j].New = hashed(i)
					i++
				}
				if _, err := s.Apply(context.Background(), ops...); err != nil {
					b.Fatal(err)
				}
				if left := n - i; left == n/10 {
					bytes = written(b)
				} else if left < n/10 && left%300 == 0 {
					most = max(most, liveHeap())
				}
			}
			b.ReportMetric(float64(most-before)/(1<<20), "MiB-live-growth")
			b.ReportMetric(float64(written(b)-bytes)/float64(n/10), "bytes-written/record")
			for range b.N { // the figures are what this is for
			}
		})
	}
}

func hashed(i int) *queue.Record {
	r := sample(i)
	sum := sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(i)))
	copy(r.Identity[:], sum[:])
	copy(r.Event[:], sum[len(r.Identity):])
	return r
}

func liveHeap() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
