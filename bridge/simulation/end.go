package simulation

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// end is one gateway's link to the wire, for one life.
type end struct {
	wire   *wire
	l      *life
	call   string
	groups []string
	in     chan event
	poke   chan struct{}
	hushed atomic.Bool

	mu     sync.Mutex
	up     bool
	number uint64
	says   []presence.Say
	sought []string
	told   map[string]heardAt
	heard  map[string]link.FarHearing
	news   bool                 // something of that may be to be told
	gave   map[string]time.Time // custody receipts
}

var _ link.Trunk = (*end)(nil)

func newEnd(w *wire, l *life, groups []string) *end {
	return &end{
		wire: w, l: l, call: l.g.call, groups: groups, in: make(chan event, 10000), poke: make(chan struct{}, 1),
		told: map[string]heardAt{}, heard: map[string]link.FarHearing{}, gave: map[string]time.Time{},
	}
}

func (e *end) give(ev event) {
	select {
	case e.in <- ev:
	default:
		panic("a gateway does not read its trunk any more")
	}
}

// Properties implements link.Link.
func (e *end) Properties() link.Properties {
	return link.Properties{Acks: true, AckWait: 30 * time.Second, AckLimit: 10 * time.Minute, Resends: 19, Batch: 64, Parallel: 1, InOrder: true, Positions: true}
}

// Run implements link.Link.
func (e *end) Run(ctx context.Context, h link.Host) error {
	host := h.(link.TrunkHost)
	in := &intake{e: e, host: host, windows: map[string]envelope.Window{}}
	e.wire.mu.Lock()
	e.wire.ends[e.call] = e
	e.wire.mu.Unlock()
	defer func() {
		e.wire.mu.Lock()
		delete(e.wire.ends, e.call)
		e.wire.mu.Unlock()
	}()
	var reads sync.WaitGroup
	defer reads.Wait()
	reads.Go(func() { in.run(ctx) })
	time.Sleep(e.wire.w.chance.between(0, time.Second, "tick", e.call)) // apart from the clerk's
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	said := time.Now().Add(-time.Hour)
	for {
		e.wire.w.turns.take("tick", e.call)
		e.connect(host)
		e.speak(&said)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-e.poke:
			said = time.Now().Add(-time.Hour)
		case <-tick.C:
		}
	}
}

// connect follows the wire: when it is whole again, the broker tells what it
// remembers.
func (e *end) connect(host link.TrunkHost) {
	w := e.wire
	w.mu.Lock()
	up := !w.isCut(e.call)
	var old []presence.Say
	var box []event
	if up && !e.up {
		for _, key := range slices.Sorted(maps.Keys(w.presence)) {
			old = append(old, w.presence[key])
		}
		box = w.mailbox[e.call]
		delete(w.mailbox, e.call)
	}
	w.mu.Unlock()
	if up == e.up {
		return
	}
	e.mu.Lock()
	e.up = up
	e.mu.Unlock()
	for _, s := range old {
		host.Present(s, true)
	}
	host.State(up, "the wire")
	for _, ev := range box {
		e.give(ev)
	}
	if up {
		e.mu.Lock()
		clear(e.told)
		e.news = true
		sought := e.sought
		e.sought = nil
		e.mu.Unlock()
		e.Seek(sought)
	}
}

func (e *end) speak(said *time.Time) {
	e.mu.Lock()
	up, says := e.up, e.says
	var news []heardAt
	for _, call := range e.toTell() {
		h := e.heard[call]
		last, ok := e.told[call]
		if !ok || last.Mesh != h.Mesh || time.Since(last.at) >= 10*time.Minute {
			e.told[call] = heardAt{h, time.Now()}
			news = append(news, heardAt{h, time.Now().Add(-h.Ago)})
		}
	}
	e.mu.Unlock()
	if !up || e.l.dark.Load() || e.hushed.Load() {
		return
	}
	for _, h := range news {
		e.publish(event{kind: "heard", heard: h})
	}
	if time.Since(*said) >= presence.Every && len(says) > 0 {
		*said = time.Now()
		for _, s := range says {
			e.publish(event{kind: "presence", say: s})
		}
	}
}

// toTell lists whom this gateway has heard, when that may have changed and can be
// told. The caller holds the lock.
func (e *end) toTell() []string {
	if !e.up || !e.news {
		return nil
	}
	e.news = false
	return slices.Sorted(maps.Keys(e.heard))
}

// publish signs an event: its number grows, over restarts too.
func (e *end) publish(ev event) {
	if e.l.dark.Load() {
		return
	}
	e.mu.Lock()
	e.number = max(e.number+1, uint64(time.Now().UnixMilli()))
	ev.number, ev.from = e.number, e.call
	e.mu.Unlock()
	e.wire.publish(ev)
}

func (e *end) tell(host link.TrunkHost, h heardAt) {
	e.mu.Lock()
	wanted := seeks(e.sought, h.Call)
	e.mu.Unlock()
	if wanted && h.Gateway != e.call {
		f := h.FarHearing
		f.Ago = time.Since(h.at)
		e.wire.w.ledger.note(entry{what: toldOf, gateway: e.call, station: h.Call, until: e.wire.w.since() - f.Ago})
		host.FarHeard(f)
	}
}

// Send implements link.Link.
func (e *end) Send(_ context.Context, frames []link.Frame) []error {
	e.wire.w.turns.take("send", e.call, "far", frames[0].Record, frames[0].Text)
	return link.OneByOne(frames, e.send)
}

func (e *end) send(f link.Frame) error {
	e.mu.Lock()
	up := e.up
	e.mu.Unlock()
	if !up || e.l.dark.Load() {
		return link.ErrDown
	}
	m := f.Message
	hops := append(slices.Clone(m.Hops), e.call)
	if len(hops) > envelope.MaxHandOvers {
		return link.Permanent(link.CodeLooped, fmt.Errorf("handed on too often"))
	}
	m.Link, m.Via, m.TrunkID, m.Key, m.Handed, m.Left = "", e.call, f.Record, e.call+"-key", f.Gateway != "", f.Left
	switch m.Kind {
	case message.Text:
		m.Hops = hops
	case message.Receipt:
		m.Precedence = 0 // an event says nothing of it
	}
	ev := event{kind: string(m.Kind), inbox: f.Gateway, m: m}
	if _, sure := e.l.clock.Wall(); sure {
		ev.until = time.Now().Add(f.Left)
	}
	if f.Gateway == "" {
		ev.group = m.To
	}
	e.wire.w.ledger.passed(e.call, &f)
	e.publish(ev)
	return nil
}

// Announce implements link.Trunk.
func (e *end) Announce(says []presence.Say) {
	e.mu.Lock()
	changed := !slices.EqualFunc(e.says, says, func(a, b presence.Say) bool {
		return a.MeshUp == b.MeshUp && a.Transmits == b.Transmits && a.Standby == b.Standby
	})
	e.says = slices.Clone(says)
	e.mu.Unlock()
	if changed {
		select {
		case e.poke <- struct{}{}:
		default:
		}
	}
}

// Seek implements link.Trunk: the broker tells what it remembers of those who are
// newly sought.
func (e *end) Seek(calls []string) {
	e.mu.Lock()
	old := e.sought
	e.sought = slices.Clone(calls)
	e.mu.Unlock()
	e.wire.mu.Lock()
	var known []heardAt
	for _, h := range e.wire.heard {
		if seeks(calls, h.Call) && !seeks(old, h.Call) {
			known = append(known, h)
		}
	}
	e.wire.mu.Unlock()
	slices.SortFunc(known, func(a, b heardAt) int { return cmp.Compare(a.Call+a.Gateway, b.Call+b.Gateway) })
	for _, h := range known {
		e.give(event{kind: "heard", from: h.Gateway, heard: h})
	}
}

// Hush implements link.Trunk.
func (e *end) Hush(quiet bool) { e.hushed.Store(quiet) }

// Follow implements link.Trunk; here everybody's presence is heard.
func (e *end) Follow([]string, []string, bool) {}

// Report implements link.Trunk.
func (e *end) Report(heard []link.FarHearing) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.heard, e.news = map[string]link.FarHearing{}, true
	for _, h := range heard {
		if old, ok := e.heard[h.Call]; !ok || h.Ago < old.Ago { // one place a station
			e.heard[h.Call] = h
		}
	}
	maps.DeleteFunc(e.told, func(call string, _ heardAt) bool { _, ok := e.heard[call]; return !ok })
}

// Took implements link.Trunk.
func (e *end) Took(_ context.Context, t link.Taken) error {
	e.mu.Lock()
	up := e.up
	e.mu.Unlock()
	if !up || e.hushed.Load() {
		return link.ErrDown
	}
	e.publish(event{kind: "taken", taken: t})
	return nil
}

// seeks tells whether a station is among those that are sought: by its base call
// sign, or under its own name.
func seeks(calls []string, call string) bool {
	return slices.Contains(calls, callsign.Base(call)) || slices.Contains(calls, call)
}
