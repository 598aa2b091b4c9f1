package bridge

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// stationsPerLink is how many stations are remembered for one link; beyond it the one
// heard longest ago is forgotten.
const stationsPerLink = 10000

// hearing is one station on one link.
type hearing struct {
	call, link string
	at         clock.Age
	snr, rssi  *float64
	answers    bool // it sent a text or an ack, or says that it takes messages
	where      *message.Where
	dirty      bool // has changed since it was saved
}

// heardTable knows who was heard last on which link. It is in memory; changes are
// saved now and then, not for each frame.
type heardTable struct {
	mu    sync.Mutex
	bases map[string][]*hearing // by base call
	count map[string]int        // by link
	news  bool                  // somebody was heard for the first time, and is not saved yet
	gone  map[string]bool       // keys of forgotten entries, still on disk
	moved bool                  // somebody was heard since the last call of changed
}

func newHeardTable() *heardTable {
	return &heardTable{bases: map[string][]*hearing{}, count: map[string]int{}, gone: map[string]bool{}}
}

// mark notes that a station was heard now.
func (t *heardTable) mark(name string, m *message.Message, at clock.Age) {
	t.mu.Lock()
	defer t.mu.Unlock()
	e := t.entry(m.From, name)
	e.at, e.dirty, t.moved = at, true, true
	e.answers = e.answers || m.Messaging || m.Kind == message.Text || m.Kind == message.Receipt
	if m.SNR != nil {
		e.snr = m.SNR
	}
	if m.RSSI != nil {
		e.rssi = m.RSSI
	}
	if m.Where != nil {
		e.where = m.Where
	}
}

// markAt notes that a station was heard some time ago.
func (t *heardTable) markAt(name string, m *message.Message, at clock.Age) {
	for _, e := range t.find(callsign.Base(m.From)) {
		if e.call == m.From && e.link == name && e.at >= at {
			return
		}
	}
	t.mark(name, m, at)
}

// hasNews tells whether a new station was heard that is not saved yet.
func (t *heardTable) hasNews() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.news
}

// changed tells whether anybody was heard since its last call.
func (t *heardTable) changed() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	moved := t.moved
	t.moved = false
	return moved
}

// knows tells whether a station was heard on a link before.
func (t *heardTable) knows(name, call string) bool {
	return slices.ContainsFunc(t.find(callsign.Base(call)), func(e hearing) bool { return e.call == call && e.link == name })
}

// entry finds or makes the entry of a call on a link.
func (t *heardTable) entry(call, name string) *hearing {
	base := callsign.Base(call)
	for _, e := range t.bases[base] {
		if e.call == call && e.link == name {
			return e
		}
	}
	if t.count[name] >= stationsPerLink {
		t.forgetOldest(name)
	}
	e := &hearing{call: call, link: name}
	t.news = true
	t.bases[base] = append(t.bases[base], e)
	t.count[name]++
	return e
}

func (t *heardTable) forgetOldest(name string) {
	var oldest *hearing
	for _, list := range t.bases {
		for _, e := range list {
			if e.link == name && (oldest == nil || e.at < oldest.at) {
				oldest = e
			}
		}
	}
	if oldest == nil {
		return
	}
	t.forget(func(e *hearing) bool { return e == oldest }, callsign.Base(oldest.call))
}

// forget removes those entries of some base calls for which which is true.
func (t *heardTable) forget(which func(*hearing) bool, bases ...string) {
	for _, base := range bases {
		t.bases[base] = slices.DeleteFunc(t.bases[base], func(e *hearing) bool {
			if !which(e) {
				return false
			}
			t.count[e.link]--
			t.gone[e.key()] = true
			return true
		})
		if len(t.bases[base]) == 0 {
			delete(t.bases, base)
		}
	}
}

// find returns copies of all entries of a base call, the latest first.
func (t *heardTable) find(base string) []hearing {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []hearing
	for _, e := range t.bases[base] {
		out = append(out, *e)
	}
	slices.SortFunc(out, func(a, b hearing) int { return cmp.Compare(b.at, a.at) })
	return out
}

// all returns copies of the entries for which keep is true.
func (t *heardTable) all(keep func(*hearing) bool) []hearing {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []hearing
	for _, list := range t.bases {
		for _, e := range list {
			if keep(e) {
				out = append(out, *e)
			}
		}
	}
	return out
}

// hear notes a station that a link heard itself, and releases what is held for it.
func (b *Bridge) hear(ln *line, m *message.Message) {
	if ln.trunk != nil || m.Via != "" || message.IsMail(m.From) || m.Kind == message.Notice {
		return
	}
	if _, err := callsign.Parse(m.From); err != nil || m.From == b.own.String() {
		return
	}
	b.heard.mark(ln.Name, m, b.clock.Age())
	base := callsign.Base(m.From)
	b.control.toRelease(base)
	// For most stations nothing is held: then there is no need to wake the clerk. A text
	// that is being stored right now is found by lookForHeld.
	if held, err := b.store.Held(context.Background(), base, 1); err != nil || len(held) > 0 {
		b.wakeRelease()
	}
}

// lookForHeld wakes the clerk if the addressee of a text that was just stored as held
// was heard between its routing and its commit, when the clerk could not find it yet.
func (b *Bridge) lookForHeld(m *message.Message, stored []queue.Delivery) {
	for _, d := range stored {
		if d.State != queue.Held {
			continue
		}
		to := *m
		to.To = d.To
		if len(b.decide(&to, true).Targets) > 0 {
			b.control.toRelease(callsign.Base(d.To))
			b.wakeRelease()
		}
	}
}

// wakeRelease wakes the clerk, which releases what is held for stations that were heard.
func (b *Bridge) wakeRelease() {
	select {
	case b.released <- struct{}{}:
	default:
	}
}

// interest is what to ask an APRS server for.
func (b *Bridge) interest() link.Interest {
	now := b.clock.Age()
	var in link.Interest
	for _, e := range b.heard.all(func(e *hearing) bool {
		ln := b.byName[e.link]
		return ln != nil && ln.props.Radio && now.Sub(e.at) <= ln.HeardFor
	}) {
		in.Stations = append(in.Stations, e.call)
	}
	slices.Sort(in.Stations)
	in.Stations = slices.Compact(in.Stations)
	if sought, err := b.store.Sought(context.Background(), 100); err == nil {
		in.Sought = slices.DeleteFunc(sought, func(s string) bool { _, err := callsign.Parse(s); return err != nil })
	}
	return in
}

// storedHearing is a hearing on disk, at heard/<link>/<call>.
type storedHearing struct {
	At      clock.Age      `cbor:"1,keyasint"`
	Answers bool           `cbor:"2,keyasint,omitempty"`
	SNR     *float64       `cbor:"3,keyasint,omitempty"`
	RSSI    *float64       `cbor:"4,keyasint,omitempty"`
	Where   *message.Where `cbor:"5,keyasint,omitempty"`
}

const heardKey = "heard/"

func (e *hearing) key() string { return heardKey + e.link + "/" + e.call }

// rememberFor is how long a station is remembered: longer than it counts as
// reachable, so that a notice can say when it was heard last.
func (b *Bridge) rememberFor(ln *line) time.Duration { return 2 * max(ln.HeardFor, b.cfg.Lifetime) }

// saveHeard saves what has changed since the last time, in one lazy commit.
func (b *Bridge) saveHeard(ctx context.Context) {
	put := map[string][]byte{}
	now := b.clock.Age()
	b.heard.mu.Lock()
	b.heard.news = false
	b.heard.forget(func(e *hearing) bool {
		ln := b.byName[e.link]
		return ln == nil || now.Sub(e.at) > b.rememberFor(ln)
	}, slices.Collect(maps.Keys(b.heard.bases))...)
	for key := range b.heard.gone {
		put[key] = nil
	}
	clear(b.heard.gone)
	for _, list := range b.heard.bases {
		for _, e := range list {
			if e.dirty {
				v, _ := cbor.Marshal(storedHearing{e.at, e.answers, e.snr, e.rssi, e.where}) // plain fields: cannot fail
				put[e.key()] = v
				e.dirty = false
			}
		}
	}
	b.heard.mu.Unlock()
	if b.leads {
		b.saveSilences(put)
		put[clockKey] = b.savedClock()
	} else {
		clear(put) // only the process that leads saves who was heard
	}
	maps.Copy(put, b.day.unsaved())
	if _, err := b.store.Apply(ctx, queue.Op{Put: put, Lazy: true}); err != nil {
		b.log.Error("writing down who was heard failed", "err", err)
	}
}

// loadHeard reads who was heard before the last stop.
func (b *Bridge) loadHeard(ctx context.Context) error {
	all, err := b.store.Settings(ctx, heardKey)
	if err != nil {
		return err
	}
	now := b.clock.Age()
	stale := map[string][]byte{}
	for key, v := range all {
		name, call, _ := strings.Cut(strings.TrimPrefix(key, heardKey), "/")
		var s storedHearing
		ln := b.byName[name]
		if err := cbor.Unmarshal(v, &s); err != nil || ln == nil || now.Sub(s.At) > b.rememberFor(ln) {
			stale[key] = nil
			continue
		}
		e := b.heard.entry(call, name)
		e.at, e.answers, e.snr, e.rssi, e.where = s.At, s.Answers, s.SNR, s.RSSI, s.Where
	}
	if len(stale) > 0 && b.leads {
		_, err = b.store.Apply(ctx, queue.Op{Put: stale, Lazy: true})
	}
	return err
}
