package simulation

import (
	"sync/atomic"
	"time"
	"unsafe"
)

// wall is a gateway's clock on the wall, which may be wrong; its monotonic
// reading is right.
type wall struct {
	wrong  atomic.Int64 // nanoseconds by which it is off
	unsure atomic.Bool  // nobody synchronises it
}

// outside is a moment with a monotonic reading, which time in a bubble has not.
var outside = func() time.Time { t := time.Now(); return t.Add(-time.Duration(t.Nanosecond())) }() // on a full second

// began is when each bubble begins (package testing/synctest).
var began = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// now is the time as the computer tells it.
func (c *wall) now() time.Time {
	now := time.Now()
	t := outside.Add(now.Sub(began))
	seconds := (*uint64)(unsafe.Pointer(&t)) // from bit 30 on: nothing in package time takes the two readings apart
	*seconds += uint64(now.Add(time.Duration(c.wrong.Load())).Unix()-t.Unix()) << 30
	return t
}

func (c *wall) synced() bool { return !c.unsure.Load() }

// set puts the clock right: what is synchronised is not wrong.
func (c *wall) set() {
	c.wrong.Store(0)
	c.unsure.Store(false)
}
