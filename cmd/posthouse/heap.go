package main

import (
	"context"
	"runtime/debug"
	"runtime/metrics"
	"time"
)

// How much garbage may lie beside what is in use before it is collected, in percent
// of that. Collecting early keeps memory small and takes processor time: as long as
// all of it fits in roomyHeap there is no need to be early, and beyond it a computer
// with 512 MB counts memory, not the last tenth of speed.
const (
	early     = 35
	late      = 100 // Go's default
	roomyHeap = 10 << 20
	heapCheck = time.Second
	// What is in use doubles and halves with each checkpoint: the most that was seen
	// counts, and falls by this part of it a second.
	forget = 32
)

// garbage is the percentage for so many bytes in use.
func garbage(live uint64) int {
	if live == 0 {
		return late
	}
	return max(early, min(late, int(roomyHeap*100/live)-100))
}

// keepHeap has garbage collected as early as the heap asks for, until ctx ends.
func keepHeap(ctx context.Context) {
	now := early
	debug.SetGCPercent(now)
	tick := time.NewTicker(heapCheck)
	defer tick.Stop()
	sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	var most uint64
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		metrics.Read(sample)
		most = max(sample[0].Value.Uint64(), most-most/forget)
		want := garbage(most)
		if want != now { // it stops all for a moment
			debug.SetGCPercent(want)
			now = want
		}
	}
}
