package desk

import (
	"math"
	"time"
)

// The last day is told in slots of five minutes.
const (
	SlotTime = 5 * time.Minute
	DaySlots = int(24 * time.Hour / SlotTime)
)

// Slot is what passed in a span of time, for the plots of the last day.
type Slot struct {
	At     time.Time           `json:"at"` // its begin, by the clock as it is now
	Links  map[string]*Traffic `json:"links,omitempty"`
	Delays Delays              `json:"-"`
}

// Traffic counts what one link did. Receipts and notices are messages too.
type Traffic struct {
	In      int     `json:"in" cbor:"1,keyasint,omitempty"`          // taken over from it
	Refused int     `json:"refused" cbor:"2,keyasint,omitempty"`     // not taken over: the rules
	Out     int     `json:"out" cbor:"3,keyasint,omitempty"`         // delivered, sent, or passed on by it
	Lost    int     `json:"lost" cbor:"4,keyasint,omitempty"`        // expired, failed, dropped
	Air     float64 `json:"air_seconds" cbor:"5,keyasint,omitempty"` // time on air, repeats included
}

// Add counts another span's traffic in.
func (t *Traffic) Add(o Traffic) {
	t.In, t.Refused, t.Out, t.Lost, t.Air = t.In+o.In, t.Refused+o.Refused, t.Out+o.Out, t.Lost+o.Lost, t.Air+o.Air
}

// Total is the traffic of all links.
func (s *Slot) Total() (sum Traffic) {
	for _, t := range s.Links {
		sum.Add(*t)
	}
	return sum
}

// Add counts another slot in; At stays.
func (s *Slot) Add(o Slot) {
	if s.Links == nil {
		s.Links = map[string]*Traffic{}
	}
	for name, t := range o.Links {
		if s.Links[name] == nil {
			s.Links[name] = &Traffic{}
		}
		s.Links[name].Add(*t)
	}
	s.Delays.Merge(o.Delays)
}

// Delays counts how long messages took, in classes that are each half as long
// again as the one before, so that a median takes little room and is a fifth
// off at most; the longest is exact.
type Delays struct {
	Counts [delayClasses]uint16 `cbor:"1,keyasint,omitzero"`
	Max    float64              `cbor:"2,keyasint,omitempty"` // seconds
}

const (
	delayClasses = 34 // the last begins at 1.5^32 s, five days
	delayStep    = 1.5
)

// Note counts one delay.
func (d *Delays) Note(took time.Duration) {
	s := max(took.Seconds(), 0)
	class := 0 // below one second
	if s >= 1 {
		class = min(1+int(math.Log(s)/math.Log(delayStep)), delayClasses-1)
	}
	if d.Counts[class] < math.MaxUint16 {
		d.Counts[class]++
	}
	d.Max = max(d.Max, s)
}

// Merge counts others in.
func (d *Delays) Merge(o Delays) {
	for i, n := range o.Counts {
		d.Counts[i] = uint16(min(int(d.Counts[i])+int(n), math.MaxUint16))
	}
	d.Max = max(d.Max, o.Max)
}

// N is how many there were.
func (d *Delays) N() (n int) {
	for _, c := range d.Counts {
		n += int(c)
	}
	return n
}

// Median is that of the delays in seconds, within the width of its class; nil:
// there were none.
func (d *Delays) Median() *float64 {
	rank := (d.N() + 1) / 2
	if rank == 0 {
		return nil
	}
	class := 0
	for rank > int(d.Counts[class]) {
		rank -= int(d.Counts[class])
		class++
	}
	middle := 0.5
	if class > 0 {
		middle = math.Pow(delayStep, float64(class)-0.5)
	}
	middle = min(middle, d.Max)
	return &middle
}
