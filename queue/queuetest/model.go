package queuetest

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// model is what a store must look like from outside: a map of records, and each
// answer worked out from all of them, as the interface's words say.
type model struct {
	seq      uint64
	records  map[uint64]*queue.Record
	memory   []memory // of identities, the oldest first
	settings map[string][]byte
}

type memory struct {
	id  queue.Identity
	age clock.Age
	seq uint64
}

func newModel() *model {
	return &model{records: map[uint64]*queue.Record{}, settings: map[string][]byte{}}
}

func (m *model) create(r *queue.Record, sameFor, eventFor time.Duration) (uint64, bool) {
	if sameFor > 0 {
		if seq, ok := m.known(r.Identity, r.Accepted.Age.Add(-sameFor)); ok {
			return seq, true
		}
	}
	if eventFor > 0 {
		if seq, ok := m.known(r.Event, r.Accepted.Age.Add(-eventFor)); ok {
			return seq, true
		}
	}
	m.seq++
	r = clone(r)
	r.Seq = m.seq
	m.records[m.seq] = r
	for _, id := range []queue.Identity{r.Identity, r.Event} {
		if id != (queue.Identity{}) {
			m.memory = append(m.memory, memory{id, r.Accepted.Age, r.Seq})
		}
	}
	return m.seq, false
}

func (m *model) known(id queue.Identity, since clock.Age) (uint64, bool) {
	if id == (queue.Identity{}) {
		return 0, false
	}
	for _, k := range slices.Backward(m.memory) {
		if k.id == id && k.age >= since {
			return k.seq, true
		}
	}
	return 0, false
}

func (m *model) change(seq uint64, change func(*queue.Record) ([]*queue.Record, error)) queue.Done {
	old, ok := m.records[seq]
	if !ok {
		return queue.Done{Err: queue.ErrNotFound}
	}
	r := clone(old)
	spawned, err := change(r)
	if err != nil {
		return queue.Done{Err: err}
	}
	m.records[seq] = clone(r)
	d := queue.Done{Seq: seq, Record: clone(r)}
	for _, s := range spawned {
		n, _ := m.create(s, 0, 0)
		d.Spawned = append(d.Spawned, n)
	}
	return d
}

func (m *model) put(key string, val []byte) {
	if val == nil {
		delete(m.settings, key)
	} else {
		m.settings[key] = val
	}
}

func (m *model) purge(before, memoryBefore clock.Age, n int) (gone int) {
	for _, seq := range slices.Sorted(maps.Keys(m.records)) {
		if r := m.records[seq]; gone < n && !r.Open() && r.Accepted.Age < before {
			delete(m.records, seq)
			gone++
		}
	}
	m.memory = slices.DeleteFunc(m.memory, func(k memory) bool { return k.age < memoryBefore })
	return gone
}

func (m *model) list(openOnly bool, after uint64, n int) (all []*queue.Record) {
	for _, seq := range slices.Sorted(maps.Keys(m.records)) {
		if r := m.records[seq]; seq > after && len(all) < n && (!openOnly || r.Open()) {
			all = append(all, r)
		}
	}
	return all
}

// each calls f for every delivery, by Seq.
func (m *model) each(f func(r *queue.Record, i int, d *queue.Delivery)) {
	for _, seq := range slices.Sorted(maps.Keys(m.records)) {
		r := m.records[seq]
		for i := range r.Deliveries {
			f(r, i, &r.Deliveries[i])
		}
	}
}

func item(r *queue.Record, i int) queue.Item {
	return queue.Item{Seq: r.Seq, Delivery: i, Due: r.Deliveries[i].Due}
}

func (m *model) lanes() map[queue.Lane][]queue.Item {
	lanes := map[queue.Lane][]queue.Item{}
	m.each(func(r *queue.Record, i int, d *queue.Delivery) {
		if d.State == queue.Ready || d.State == queue.Later && !d.Begun {
			l := r.LaneOf(d)
			lanes[l] = append(lanes[l], item(r, i))
		}
	})
	return lanes
}

func byItem(items []queue.Item) []queue.Item {
	slices.SortFunc(items, func(a, b queue.Item) int {
		return cmp.Or(cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.Delivery, b.Delivery))
	})
	return items
}

func (m *model) heads(link string, p message.Precedence, now clock.Age, after uint64, n int) (all []queue.Item) {
	for l, items := range m.lanes() {
		if it := items[0]; l.Link == link && l.Precedence == p && it.Due <= now && it.Seq > after {
			all = append(all, it)
		}
	}
	all = byItem(all)
	if len(all) <= n {
		return all
	}
	// A record is not cut, unless it is alone.
	cut := n
	for cut > 0 && all[cut-1].Seq == all[n].Seq {
		cut--
	}
	if cut == 0 {
		cut = n
	}
	return all[:cut]
}

func (m *model) due(link string, until clock.Age, n int) (all []queue.Item) {
	take := func(it queue.Item) {
		if it.Due <= until {
			all = append(all, it)
		}
	}
	for l, items := range m.lanes() {
		if l.Link == link && items[0].Due != 0 {
			take(items[0])
		}
	}
	m.each(func(r *queue.Record, i int, d *queue.Delivery) {
		if d.Link == link && (d.State == queue.Later && d.Begun || d.State == queue.Local || d.State == queue.Passed || d.State == queue.Shadow || d.State == queue.Gathering) {
			take(item(r, i))
		}
	})
	slices.SortFunc(all, func(a, b queue.Item) int {
		return cmp.Or(cmp.Compare(a.Due, b.Due), cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.Delivery, b.Delivery))
	})
	return all[:min(n, len(all))]
}

func (m *model) held(call string, n int) (all []queue.Item) {
	m.each(func(r *queue.Record, i int, d *queue.Delivery) {
		if d.State == queue.Held && callsign.Base(d.To) == call && len(all) < n {
			all = append(all, item(r, i))
		}
	})
	return all
}

func (m *model) sought() []string {
	calls := map[string]bool{}
	m.each(func(_ *queue.Record, _ int, d *queue.Delivery) {
		if d.State == queue.Held {
			calls[callsign.Base(d.To)] = true
		}
	})
	return slices.Sorted(maps.Keys(calls))
}

// frame: of several the one accepted last.
func (m *model) frame(link, to, id string) (it queue.Item, part int, found bool) {
	m.each(func(r *queue.Record, i int, d *queue.Delivery) {
		for n, p := range d.Parts {
			if d.Link == link && d.To == to && p.ID == id {
				it, part, found = queue.Item{Seq: r.Seq, Delivery: i}, n, true
			}
		}
	})
	return it, part, found
}

func (m *model) expiring(until clock.Age, n int) (all []uint64) {
	open := slices.DeleteFunc(m.list(true, 0, len(m.records)), func(r *queue.Record) bool { return r.Expires > until })
	slices.SortStableFunc(open, func(a, b *queue.Record) int { return cmp.Compare(a.Expires, b.Expires) })
	for _, r := range open[:min(n, len(open))] {
		all = append(all, r.Seq)
	}
	return all
}

func (m *model) counters() (open map[string]map[message.Precedence]int64, oldest map[string]clock.Age) {
	open, oldest = map[string]map[message.Precedence]int64{}, map[string]clock.Age{}
	m.each(func(r *queue.Record, _ int, d *queue.Delivery) {
		if !d.State.Open() {
			return
		}
		if open[d.Link] == nil {
			open[d.Link] = map[message.Precedence]int64{}
			oldest[d.Link] = r.Accepted.Age
		}
		open[d.Link][r.Message.Precedence]++
	})
	return open, oldest
}
