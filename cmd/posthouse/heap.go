package main

import (
	"context"
	"runtime/debug"
	"runtime/metrics"
	"time"
)

// The garbage collector's percentage (GOGC). Collecting early saves memory and costs
// processor time: as long as everything fits into roomyHeap that is not needed; beyond it
// memory matters more on a computer with 512 MB than the last tenth of speed.
const (
	early     = 35
	late      = 100 // Go's default
	roomyHeap = 24 << 20
	heapCheck = time.Second
	// The live heap doubles and halves with each checkpoint: the peak counts, and decays by
	// this part a second.
	forget = 32
)

// garbage is the percentage for so many bytes in use.
func garbage(live uint64) int {
	if live == 0 {
		return late
	}
	room := min(roomyHeap*100/live, 100+late) // first, since an int may have 32 bits
	return max(early, int(room)-100)
}

// After a burst free memory is returned to the system; Go itself keeps it for minutes.
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

// keepHeap sets the garbage collector by the size of the heap, and returns memory to the
// system after bursts, until ctx ends.
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
		if want != now { // setting it stops the world for a moment
			debug.SetGCPercent(want)
			now = want
		}
		if c.over(sample[1].Value.Uint64()) {
			debug.FreeOSMemory()
		}
	}
}
