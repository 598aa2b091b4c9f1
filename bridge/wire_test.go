package bridge_test

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// wire is the broker of a trunk and what is between it and the gateways, in
// memory: it delivers in order, remembers states, and keeps what comes for a
// gateway that is away. The test breaks it.
type wire struct {
	mu       sync.Mutex
	ends     map[string]*end // by call sign; those that are connected
	presence map[string]presence.Say
	heard    map[string]heardAt
	mailbox  map[string][]event // what waits for a gateway that is away
	count    map[string]int     // events by kind

	cut   map[string]bool                // gateways without a connection
	lose  func(to string, e *event) bool // nil: nothing is lost
	twice bool                           // everything arrives twice
	delay time.Duration
}

type heardAt struct {
	link.FarHearing
	at time.Time
}

// event is one thing that is published; a receiver that has seen its number
// does not take it again.
type event struct {
	kind   string
	number uint64
	from   string
	inbox  string // the gateway it is for; empty: a group or a mesh
	group  string
	m      message.Message
	say    presence.Say
	heard  heardAt
	taken  link.Taken
}

func newWire() *wire {
	return &wire{
		ends: map[string]*end{}, presence: map[string]presence.Say{}, heard: map[string]heardAt{},
		mailbox: map[string][]event{}, count: map[string]int{}, cut: map[string]bool{},
	}
}

// empty is what a broker without persistence has after a restart.
func (w *wire) empty() {
	w.mu.Lock()
	defer w.mu.Unlock()
	clear(w.presence)
	clear(w.heard)
	clear(w.mailbox)
}

// spoil changes how the wire behaves.
func (w *wire) spoil(change func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	change()
}

func (w *wire) sever(call string, cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut[call] = cut
}

func (w *wire) counted(kind string) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.count[kind]
}

func (w *wire) countedFrom(call string) int { return w.counted("from " + call) }

// publish hands an event to all whom it is for.
func (w *wire) publish(e event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.count[e.kind]++
	w.count["from "+e.from]++
	switch e.kind {
	case "presence":
		w.presence[e.say.Mesh+" "+e.say.Call] = e.say
	case "heard":
		w.heard[e.heard.Call+" "+e.heard.Gateway] = e.heard
	}
	calls := slices.Sorted(maps.Keys(w.ends))
	if e.inbox != "" {
		calls = []string{e.inbox}
	}
	for _, call := range calls {
		if call == e.from || w.lose != nil && w.lose(call, &e) {
			continue
		}
		for range map[bool]int{false: 1, true: 2}[w.twice] {
			w.deliver(call, e)
		}
	}
}

func (w *wire) deliver(call string, e event) {
	if w.delay > 0 {
		time.AfterFunc(w.delay, func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.arrive(call, e)
		})
		return
	}
	w.arrive(call, e)
}

func (w *wire) arrive(call string, e event) {
	if to := w.ends[call]; to != nil && !w.cut[call] && !w.cut[e.from] {
		to.in <- e
	} else if e.inbox != "" {
		w.mailbox[call] = append(w.mailbox[call], e)
	}
}

// end is one gateway's link to the wire.
type end struct {
	wire   *wire
	call   string
	groups []string
	mute   bool // it may only receive
	in     chan event
	poke   chan struct{}
	up     bool
	hushed atomic.Bool
	host   link.TrunkHost

	mu     sync.Mutex
	number uint64
	says   []presence.Say
	sought []string
	told   map[string]heardAt
	heard  map[string]link.FarHearing
	gave   map[string]time.Time // custody receipts
}

func newEnd(w *wire, call string, groups []string) *end {
	return &end{
		wire: w, call: call, groups: groups, in: make(chan event, 10000), poke: make(chan struct{}, 1),
		told: map[string]heardAt{}, heard: map[string]link.FarHearing{}, gave: map[string]time.Time{},
	}
}

func (e *end) Properties() link.Properties {
	return link.Properties{Acks: true, AckWait: 30 * time.Second, AckLimit: 10 * time.Minute, Resends: 19, Batch: 64, Parallel: 1, InOrder: true, Positions: true}
}

func (e *end) Run(ctx context.Context, h link.Host) error {
	host := h.(link.TrunkHost)
	e.host = host
	seen := map[string]map[uint64]bool{} // a window for each gateway, on disk in the real one
	e.wire.mu.Lock()
	e.wire.ends[e.call] = e
	e.wire.mu.Unlock()
	defer func() {
		e.wire.mu.Lock()
		delete(e.wire.ends, e.call)
		e.wire.mu.Unlock()
	}()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	said := time.Now().Add(-time.Hour)
	e.connect(host)
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case ev := <-e.in:
			if seen[ev.from] == nil {
				seen[ev.from] = map[uint64]bool{}
			}
			if !seen[ev.from][ev.number] {
				seen[ev.from][ev.number] = true
				e.take(ctx, host, ev)
			}
		case <-e.poke:
			said = time.Now().Add(-time.Hour)
			e.speak(&said)
		case <-tick.C:
			e.connect(host)
			e.speak(&said)
		}
	}
}

// connect follows the wire: when it is whole again, the broker tells what it
// remembers.
func (e *end) connect(host link.TrunkHost) {
	e.wire.mu.Lock()
	up := !e.wire.cut[e.call]
	var old []presence.Say
	var box []event
	if up && !e.up {
		old = slices.Collect(maps.Values(e.wire.presence))
		box = e.wire.mailbox[e.call]
		delete(e.wire.mailbox, e.call)
	}
	e.wire.mu.Unlock()
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
		e.in <- ev
	}
	if up {
		e.mu.Lock()
		clear(e.told)
		sought := e.sought
		e.sought = nil
		e.mu.Unlock()
		e.Seek(sought)
	}
}

func (e *end) speak(said *time.Time) {
	e.mu.Lock()
	up, says := e.up, e.says
	var heard []heardAt
	for call, h := range e.heard {
		last, ok := e.told[call]
		if up && (!ok || last.Mesh != h.Mesh || time.Since(last.at) >= 10*time.Minute) {
			e.told[call] = heardAt{h, time.Now()}
			heard = append(heard, heardAt{h, time.Now().Add(-h.Ago)})
		}
	}
	e.mu.Unlock()
	if !up || e.isSilent() {
		return
	}
	for _, h := range heard {
		e.publish(event{kind: "heard", heard: h})
	}
	if time.Since(*said) >= presence.Every && len(says) > 0 {
		*said = time.Now()
		for _, s := range says {
			e.publish(event{kind: "presence", say: s})
		}
	}
}

func (e *end) publish(ev event) {
	e.mu.Lock()
	e.number++
	ev.number, ev.from = uint64(time.Now().UnixNano())<<8+e.number, e.call
	e.mu.Unlock()
	e.wire.publish(ev)
}

// take does what the real trunk does with what comes in.
func (e *end) take(ctx context.Context, host link.TrunkHost, ev event) {
	switch ev.kind {
	case "presence":
		host.Present(ev.say, false)
		return
	case "heard":
		e.tell(host, ev.heard)
		return
	case "taken":
		host.TakenBy(ev.taken)
		return
	case "position":
		host.FarPosition(link.FarPosition{Call: ev.m.From, Gateway: ev.from, Mesh: ev.m.Mesh, Where: *ev.m.Where})
		return
	}
	if ev.group != "" && (!slices.Contains(e.groups, ev.group) || slices.Contains(ev.m.Hops, e.call)) {
		return
	}
	if ev.inbox != "" {
		host.Spoke(ev.from)
	}
	verdicts, err := host.AcceptMarked(ctx, map[string][]byte{"window/" + ev.from: {1}}, ev.m)
	if err != nil || ev.inbox == "" || ev.kind == "custody" || !verdicts[0].Kept || e.isSilent() {
		return
	}
	key := ev.from + " " + ev.m.TrunkID
	if last, ok := e.gave[key]; ok && time.Since(last) < 29*time.Second {
		return
	}
	e.gave[key] = time.Now()
	e.publish(event{kind: "custody", inbox: ev.from, m: message.Message{Kind: message.Custody, From: e.call, Via: e.call, Acks: ev.m.TrunkID, Handed: true}})
}

func (e *end) tell(host link.TrunkHost, h heardAt) {
	e.mu.Lock()
	wanted := seeks(e.sought, h.Call)
	e.mu.Unlock()
	if wanted && h.Gateway != e.call {
		f := h.FarHearing
		f.Ago = time.Since(h.at)
		host.FarHeard(f)
	}
}

// Send implements link.Link.
func (e *end) Send(_ context.Context, frames []link.Frame) []error {
	return link.OneByOne(frames, e.send)
}

func (e *end) send(f link.Frame) error {
	e.mu.Lock()
	up := e.up
	e.mu.Unlock()
	if !up {
		return link.ErrDown
	}
	m := f.Message
	hops := append(slices.Clone(m.Hops), e.call)
	if len(hops) > 8 {
		return link.Permanent(link.CodeLooped, errText("handed on too often"))
	}
	m.Link, m.Via, m.TrunkID, m.Key, m.Handed, m.Left = "", e.call, f.Record, e.call+"-key", f.Gateway != "", f.Left
	if m.Kind == message.Receipt {
		m.Precedence = 0 // an event says nothing of it
	}
	if m.Kind == message.Text {
		m.Hops = hops
	}
	ev := event{kind: string(m.Kind), inbox: f.Gateway, m: m}
	if f.Gateway == "" {
		ev.group = m.To
	}
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

// Hush implements link.Trunk.
func (e *end) Hush(quiet bool) { e.hushed.Store(quiet) }

func (e *end) isSilent() bool { return e.mute || e.hushed.Load() }

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
	for _, h := range known {
		e.in <- event{kind: "heard", from: h.Gateway, number: uint64(time.Now().UnixNano()) << 8, heard: h}
	}
}

// Follow implements link.Trunk; here everybody's presence is heard.
func (e *end) Follow([]string, []string, bool) {}

// Report implements link.Trunk.
func (e *end) Report(heard []link.FarHearing) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.heard = map[string]link.FarHearing{}
	for _, h := range heard {
		e.heard[h.Call] = h
	}
	maps.DeleteFunc(e.told, func(call string, _ heardAt) bool { _, ok := e.heard[call]; return !ok })
}

// Took implements link.Trunk.
func (e *end) Took(_ context.Context, t link.Taken) error {
	e.mu.Lock()
	up := e.up
	e.mu.Unlock()
	if !up || e.isSilent() {
		return link.ErrDown
	}
	e.publish(event{kind: "taken", taken: t})
	return nil
}

// seeks tells whether a station is among those that are sought: by its base call
// sign, whatever its SSID or with /P, or under its own name.
func seeks(calls []string, call string) bool {
	base, _, _ := strings.Cut(call, "-")
	return slices.Contains(calls, strings.TrimSuffix(base, "/P")) || slices.Contains(calls, call)
}
