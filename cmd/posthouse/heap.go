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
	roomyHeap = 24 << 20
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

// What a burst leaves behind is given back to the system when it is over: Go alone
// keeps it for minutes.
const (
	burstBytes = 8 << 20   // allocated since the last time
	calmBytes  = 512 << 10 // allocated between two looks, at most
	calmLooks  = 2
)

// calm tells when a burst is over.
type calm struct {
	given, allocated uint64
	looks            int
}

// over takes what was allocated since the program began.
func (c *calm) over(allocated uint64) bool {
	if allocated-c.allocated > calmBytes {
		c.looks = 0
	} else {
		c.looks++
	}
	c.allocated = allocated
	if c.looks < calmLooks || allocated-c.given < burstBytes {
		return false
	}
	c.given = allocated
	return true
}

// keepHeap has garbage collected as early as the heap asks for, and what a burst
// leaves behind given back, until ctx ends.
func keepHeap(ctx context.Context) {
	now := late
	debug.SetGCPercent(now)
	tick := time.NewTicker(heapCheck)
	defer tick.Stop()
	sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}, {Name: "/gc/heap/allocs:bytes"}}
	var most uint64
	var c calm
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
		if c.over(sample[1].Value.Uint64()) {
			debug.FreeOSMemory()
		}
	}
}
