package simulation

import (
	"cmp"
	"context"
	"errors"
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

// wire is the broker of the trunk and what is between it and the gateways. It
// remembers states, keeps what comes for a gateway that is away, loses, doubles
// and reorders. Signatures are not made: an event is what it says that it is,
// and what a stranger replays has its old number. In some worlds the exchange
// stands for it, and they are.
type wire struct {
	w *world

	loss, twice float64
	late        time.Duration

	mu       sync.Mutex
	ends     map[string]*end // by call sign; those that run
	presence map[string]presence.Say
	heard    map[string]heardAt
	mailbox  map[string][]event
	cut      map[string]time.Time // gateways without a connection, until when
	last     uint64               // number given to an event
	old      []event              // what a listener has kept for a replay
	exchange *exchange            // instead of all that, where gateways sign
}

type heardAt struct {
	link.FarHearing
	at time.Time
}

// event is one thing that is published.
type event struct {
	kind   string
	number uint64
	from   string
	until  time.Time // when it is worth nothing any more; zero: its gateway had no clock
	inbox  string    // the gateway it is for; empty: a group or a mesh
	group  string
	m      message.Message
	say    presence.Say
	heard  heardAt
	taken  link.Taken
}

func newWire(w *world) *wire {
	x := &wire{
		w: w, ends: map[string]*end{}, presence: map[string]presence.Say{}, heard: map[string]heardAt{},
		mailbox: map[string][]event{}, cut: map[string]time.Time{},
	}
	x.exchange = newExchange(x)
	return x
}

// restart breaks every connection for a time; an emptied broker has lost what it
// kept.
func (w *wire) restart(d time.Duration, emptied bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, g := range w.w.gateways {
		w.cut[g.call] = time.Now().Add(d)
		w.w.ledger.note(entry{what: severed, gateway: g.call, until: w.w.since() + d})
	}
	if emptied {
		clear(w.presence)
		clear(w.heard)
		clear(w.mailbox)
		w.exchange.empty()
	}
}

func (w *wire) sever(call string, d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut[call] = time.Now().Add(d)
	w.w.ledger.note(entry{what: severed, gateway: call, until: w.w.since() + d})
}

func (w *wire) isCut(call string) bool { return time.Now().Before(w.cut[call]) }

// publish hands an event to all whom it is for.
func (w *wire) publish(e event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch e.kind {
	case "presence":
		w.presence[e.say.Mesh+" "+e.say.Call] = e.say
	case "heard":
		w.heard[e.heard.Call+" "+e.heard.Gateway] = e.heard
	case "taken":
	default:
		w.old = append(w.old, e)
		w.w.story("%s publishes %s for %s%s", e.from, words(&e.m), e.inbox, e.group)
	}
	calls := []string{e.inbox}
	if e.inbox == "" {
		calls = slices.Sorted(maps.Keys(w.ends))
	}
	for _, call := range calls {
		key := []string{"wire", e.kind, e.from, call, e.m.From, e.m.To, e.m.Text}
		if call == e.from || w.w.chance.hits(w.loss, append(key, "lost")...) {
			continue
		}
		w.w.after(w.w.chance.between(10*time.Millisecond, w.late, append(key, "slow")...), func() { w.arrive(call, e) }, append(key, "late")...)
		if w.w.chance.hits(w.twice, append(key, "twice")...) {
			w.w.after(w.late, func() { w.arrive(call, e) }, append(key, "again")...)
		}
	}
}

func (w *wire) arrive(call string, e event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if to := w.ends[call]; to != nil && !w.isCut(call) && !to.l.dark.Load() {
		to.give(e)
	} else if e.inbox != "" && len(w.mailbox[call]) < boxSize {
		w.mailbox[call] = append(w.mailbox[call], e)
	}
}

// replay has a stranger publish again what he heard some time ago.
func (w *wire) replay(n int) {
	if w.w.plan.signed {
		w.exchange.replay(n)
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.old) == 0 {
		return
	}
	e := w.old[n%len(w.old)]
	w.w.story("a stranger replays %s of %s for %s%s", words(&e.m), e.from, e.inbox, e.group)
	if e.until.IsZero() {
		w.w.ledger.note(entry{what: replayed, letter: number(e.m.Text), gateway: e.from})
	}
	for _, call := range slices.Sorted(maps.Keys(w.ends)) {
		to := w.ends[call]
		if (e.inbox == call || e.inbox == "" && call != e.from) && !to.l.dark.Load() {
			to.give(e)
		}
	}
}

// forge has a listed gateway that lies say that a message is delivered which
// nobody gave it.
func (w *wire) forge(liar, victim, id, station, writer string) {
	if w.w.plan.signed {
		w.exchange.utter(w.exchange.key(liar, 0), liar, envelope.Inbox(victim), envelope.Receipt{About: id, Station: station, To: writer, Result: envelope.ResultDelivered})
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	to := w.ends[victim]
	if to == nil || to.l.dark.Load() {
		return
	}
	m := message.Message{Kind: message.Receipt, From: station, To: writer, Acks: id, Result: message.ResultDelivered, Via: liar, TrunkID: liar + ".1", Handed: true}
	w.last++
	to.give(event{kind: string(m.Kind), number: uint64(time.Now().UnixMicro())<<4 + w.last%16, from: liar, inbox: victim, m: m})
}

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

// intake takes what comes in by the wire, as the trunk's adapter does.
type intake struct {
	e       *end
	host    link.TrunkHost
	windows map[string]envelope.Window // by gateway, as on disk
}

// run takes one event after the other.
func (in *intake) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case ev := <-in.e.in:
			in.e.wire.w.turns.take("event", in.e.call, ev.kind, ev.from)
			if ctx.Err() == nil {
				in.take(ctx, ev)
			}
		}
	}
}

func (in *intake) take(ctx context.Context, ev event) {
	e, host := in.e, in.host
	switch ev.kind {
	case "presence":
		host.Present(ev.say, false)
	case "heard":
		e.tell(host, ev.heard)
	case "taken":
		host.TakenBy(ev.taken)
	default:
		if ev.group == "" || slices.Contains(e.groups, ev.group) && !slices.Contains(ev.m.Hops, e.call) {
			in.accept(ctx, ev)
		}
	}
}

// accept takes over an event that was not taken before, together with the window
// that says so, and then gives the custody receipt.
func (in *intake) accept(ctx context.Context, ev event) {
	e := in.e
	if _, sure := e.l.clock.Wall(); sure && !ev.until.IsZero() && time.Now().After(ev.until) {
		return
	}
	w, err := in.window(ctx, ev.from)
	if err != nil || w.Take(ev.number) != nil {
		return
	}
	if ev.inbox != "" {
		in.host.Spoke(ev.from)
	}
	b, _ := w.MarshalBinary() // cannot fail
	verdicts, err := in.host.AcceptMarked(ctx, map[string][]byte{"window/" + ev.from: b}, ev.m)
	if err != nil {
		if e.l.dark.Load() || errors.Is(err, context.Canceled) {
			e.wire.unconfirmed(e.call, ev)
		} else {
			e.wire.w.after(2*time.Second, func() { e.wire.arrive(e.call, ev) }, "reconnect", e.call)
		}
		return
	}
	in.windows[ev.from] = w
	if !e.l.dark.Load() {
		e.wire.w.ledger.answered(e.call, "far", &ev.m, verdicts[0])
	}
	if ev.inbox == "" || ev.kind == "custody" || !verdicts[0].Kept || e.hushed.Load() {
		return
	}
	key := ev.from + " " + ev.m.TrunkID
	if last, ok := e.gave[key]; ok && time.Since(last) < 29*time.Second {
		return
	}
	e.gave[key] = time.Now()
	if !e.l.dark.Load() {
		e.wire.w.ledger.custody(e.call, &ev.m)
	}
	e.publish(event{kind: "custody", inbox: ev.from, m: message.Message{Kind: message.Custody, From: e.call, Via: e.call, Acks: ev.m.TrunkID, Handed: true}})
}

// window is what of a gateway's numbers was taken, as far as it is on disk.
func (in *intake) window(ctx context.Context, from string) (envelope.Window, error) {
	if w, ok := in.windows[from]; ok {
		return w, nil
	}
	var w envelope.Window
	b, err := in.host.Mark(ctx, "window/"+from)
	if err == nil && b != nil {
		err = w.UnmarshalBinary(b)
	}
	return w, err
}

// unconfirmed keeps an event that a gateway has not confirmed.
func (w *wire) unconfirmed(call string, e event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if e.inbox != "" {
		w.mailbox[call] = append(w.mailbox[call], e)
	}
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

// seeks tells whether a station is among those that are sought: by its base call
// sign, or under its own name.
func seeks(calls []string, call string) bool {
	return slices.Contains(calls, callsign.Base(call)) || slices.Contains(calls, call)
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
