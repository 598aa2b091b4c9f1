package bridge

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
	"posthouse/bridge/desk"
	"posthouse/queue"
)

// day counts the traffic of the last 24 hours, for the plots of the operator's page,
// in a ring of slots of fixed size. It goes by age, so that no jump of the clock
// distorts it. It is saved by saveHeard.
type day struct {
	Meter // gets everything, too

	mu   sync.Mutex
	key  string // of the slots on disk
	now  func() clock.Age
	ring [desk.DaySlots]daySlot
}

// daySlot is one slot on disk. Number counts slots since the gateway's life began,
// and tells today's from yesterday's slot in the same place of the ring.
type daySlot struct {
	Number int64                    `cbor:"1,keyasint"`
	Links  map[string]*desk.Traffic `cbor:"2,keyasint"`
	Delays desk.Delays              `cbor:"3,keyasint,omitzero"`

	dirty bool // has changed since it was saved
}

const dayKey = "day/"

// newDay reads what an earlier run saved. Each process of a hub counts its own work.
func newDay(ctx context.Context, m Meter, store queue.Store, now func() clock.Age, share queue.Share) (*day, error) {
	d := &day{Meter: m, now: now, key: dayKey}
	if share != nil {
		d.key += share.Process() + "/"
	}
	saved, err := store.Settings(ctx, d.key)
	if err != nil {
		return nil, err
	}
	for _, v := range saved {
		var s daySlot
		if cbor.Unmarshal(v, &s) == nil && s.Number >= 0 { // else a gap in the plot
			d.ring[s.Number%int64(desk.DaySlots)] = s
		}
	}
	return d, nil
}

func slotNumber(a clock.Age) int64 { return int64(a) / desk.SlotTime.Milliseconds() }

// note changes the present slot; the link is empty for the gateway's own.
func (d *day) note(link string, change func(*desk.Traffic, *desk.Delays)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := slotNumber(d.now())
	s := &d.ring[n%int64(desk.DaySlots)]
	if s.Number != n || s.Links == nil {
		*s = daySlot{Number: n, Links: map[string]*desk.Traffic{}}
	}
	if s.Links[link] == nil {
		s.Links[link] = &desk.Traffic{}
	}
	change(s.Links[link], &s.Delays)
	s.dirty = true
}

// Accepted counts a message that was taken over.
func (d *day) Accepted(link string) {
	d.note(link, func(t *desk.Traffic, _ *desk.Delays) { t.In++ })
	d.Meter.Accepted(link)
}

// Refused counts a message that was refused.
func (d *day) Refused(link, rule string) {
	d.note(link, func(t *desk.Traffic, _ *desk.Delays) { t.Refused++ })
	d.Meter.Refused(link, rule)
}

// Delivery counts the result of one delivery.
func (d *day) Delivery(link, result string) {
	switch result {
	case string(queue.Delivered), string(queue.Sent), "passed":
		d.note(link, func(t *desk.Traffic, _ *desk.Delays) { t.Out++ })
	case string(queue.Expired), string(queue.Failed), string(queue.Dropped):
		d.note(link, func(t *desk.Traffic, _ *desk.Delays) { t.Lost++ })
	}
	d.Meter.Delivery(link, result)
}

// DeliveryTime counts how long a confirmed one took.
func (d *day) DeliveryTime(took time.Duration) {
	d.note("", func(_ *desk.Traffic, all *desk.Delays) { all.Note(took) })
	d.Meter.DeliveryTime(took)
}

// AirtimeSpent counts time on air.
func (d *day) AirtimeSpent(link string, air time.Duration) {
	d.note(link, func(t *desk.Traffic, _ *desk.Delays) { t.Air += air.Seconds() })
	d.Meter.AirtimeSpent(link, air)
}

// unsaved returns the slots that have changed, as settings of the store.
func (d *day) unsaved() map[string][]byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	put := map[string][]byte{}
	for i := range d.ring {
		if s := &d.ring[i]; s.dirty {
			s.dirty = false
			put[fmt.Sprintf("%s%03d", d.key, i)], _ = cbor.Marshal(s) // plain fields: cannot fail
		}
	}
	return put
}

// Day returns the slots of the last 24 hours, the oldest first; the last is not over
// yet.
func (b *Bridge) Day() []desk.Slot {
	now := b.stamp()
	d := b.day
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([]desk.Slot, desk.DaySlots)
	last := slotNumber(now.Age)
	for i := range out {
		n := last - int64(len(out)-1-i)
		begin := clock.Age(n * desk.SlotTime.Milliseconds())
		out[i].At = now.Wall.Add(begin.Sub(now.Age)).UTC().Truncate(time.Second)
		if n < 0 {
			continue
		}
		if s := &d.ring[n%int64(desk.DaySlots)]; s.Number == n && s.Links != nil {
			out[i].Add(desk.Slot{Links: s.Links, Delays: s.Delays}) // a copy
		}
	}
	return out
}
