package main

import (
	"sync/atomic"
	"time"
)

// tally knows of each text when it was due and what became of it. Moments are
// nanoseconds since start; 0 is never.
type tally struct {
	start     time.Time
	due       []atomic.Int64
	confirmed []atomic.Int64 // its PUBACK was there
	arrived   []atomic.Int64 // at the far side, for the first time
	copies    []atomic.Int32
	receipts  []atomic.Int64 // the end-to-end receipt was back at its writer

	offered, arrivals atomic.Int64
	lastArrival       atomic.Int64
	proven            atomic.Bool // a probe has arrived: the way is open
}

func newTally(n int) *tally {
	return &tally{
		start: time.Now(), due: make([]atomic.Int64, n), confirmed: make([]atomic.Int64, n),
		arrived: make([]atomic.Int64, n), copies: make([]atomic.Int32, n), receipts: make([]atomic.Int64, n),
	}
}

func (t *tally) now() int64 { return int64(time.Since(t.start)) }

// arrive notes that a text came out at the far side.
func (t *tally) arrive(i int) {
	if i == probe {
		t.proven.Store(true)
	}
	if i < 0 || i >= len(t.arrived) || t.copies[i].Add(1) > 1 {
		return
	}
	now := t.now()
	t.arrived[i].Store(now)
	t.arrivals.Add(1)
	t.lastArrival.Store(now)
}

// missing counts the confirmed texts that have not arrived, or whose receipts
// have not come back.
func (t *tally) missing(withReceipts bool) (n int) {
	for i := range t.confirmed {
		if t.confirmed[i].Load() != 0 && (t.arrived[i].Load() == 0 || withReceipts && t.receipts[i].Load() == 0) {
			n++
		}
	}
	return n
}

// since gives how long each text took from when it was due, of those that did.
func (t *tally) since(end []atomic.Int64) (all []time.Duration) {
	for i := range end {
		if at := end[i].Load(); at != 0 {
			all = append(all, time.Duration(at-t.due[i].Load()))
		}
	}
	return all
}

func count(moments []atomic.Int64) (n int) {
	for i := range moments {
		if moments[i].Load() != 0 {
			n++
		}
	}
	return n
}

func latest(moments []atomic.Int64) (last int64) {
	for i := range moments {
		last = max(last, moments[i].Load())
	}
	return last
}

// duplicates counts the copies beyond the first of each text.
func (t *tally) duplicates() (n int) {
	for i := range t.copies {
		n += max(0, int(t.copies[i].Load())-1)
	}
	return n
}
