package simulation

import (
	"maps"
	"slices"
	"sync"
	"time"

	"posthouse/adapters/broker/envelope"
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
	missed   map[[3]string]int    // announcements lost in a row: whose, for which mesh, and who missed them
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
		mailbox: map[string][]event{}, cut: map[string]time.Time{}, missed: map[[3]string]int{},
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
		if call == e.from {
			continue
		}
		lost := w.w.chance.hits(w.loss, append(key, "lost")...)
		w.miss(call, e, lost)
		if lost && e.kind == "custody" {
			w.w.ledger.note(entry{what: custodyLost, gateway: e.from, to: call, record: e.m.Acks})
		}
		if lost && e.kind == "heard" {
			w.w.ledger.note(entry{what: missed, gateway: call, station: e.heard.Call})
		}
		if lost {
			continue
		}
		w.w.after(w.w.chance.between(10*time.Millisecond, w.late, append(key, "slow")...), func() { w.arrive(call, e) }, append(key, "late")...)
		if w.w.chance.hits(w.twice, append(key, "twice")...) {
			w.w.after(w.late, func() { w.arrive(call, e) }, append(key, "again")...)
		}
	}
}

// miss notes a gateway that another one takes for dead, since all that it said of itself
// for so long got lost.
func (w *wire) miss(by string, e event, lost bool) {
	k := [3]string{e.from, e.say.Mesh, by}
	switch {
	case e.kind != "presence":
		return
	case !lost:
		delete(w.missed, k)
		return
	}
	w.missed[k]++
	if w.missed[k] >= int(presence.Alive/presence.Every) {
		w.w.ledger.note(entry{what: unheard, gateway: e.from, to: by})
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
		w.w.ledger.note(entry{what: replayed, letter: w.w.plan.letterBy(e.m.From, e.m.Text), gateway: e.from})
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

// unconfirmed keeps an event that a gateway has not confirmed.
func (w *wire) unconfirmed(call string, e event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if e.inbox != "" {
		w.mailbox[call] = append(w.mailbox[call], e)
	}
}
