package simulation

import (
	"context"
	"fmt"
	"slices"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/desk"
	"posthouse/queue"
)

// What follows is of worlds in which gateways sign: with which keys, whom they
// believe, and what people try who hold no key, or one that nobody knows.

// sign decides whether gateways sign.
func (p *plan) sign() {
	p.signed = p.seed%8 == 3
	if !p.signed {
		return
	}
	p.any = p.more.IntN(4) == 0
	p.addStranger()
	if p.more.IntN(2) == 0 {
		p.changeKey()
	} else if !p.any { // else texts would still be taken
		p.disbelieve()
	}
	if p.more.IntN(2) == 0 {
		p.restoreBackup()
	}
}

// liar is a gateway that everybody believes, and that lies; stranger is one that
// nobody knows.
var liar, stranger = callSign(23, 15), callSign(0, 1) // whose call sign goes before all others

// believed are the gateways on everybody's list, with the numbers of their keys.
func (p *plan) believed() map[string][]int {
	all := map[string][]int{liar: {0}}
	for _, g := range p.gateways {
		all[g.call] = []int{0}
	}
	return all
}

// addStranger has a gateway that is on no list say all that a gateway may say.
func (p *plan) addStranger() {
	for n := range 10 {
		g, s := p.gateways[p.more.IntN(len(p.gateways))], p.stations[p.more.IntN(len(p.stations))]
		l, seq := p.letters[p.more.IntN(len(p.letters))], 1+p.more.IntN(20)
		p.happens(p.sometime(), func(w *world) {
			x := w.wire.exchange
			key := x.key(stranger, 0)
			for k := range 4 {
				time.Sleep(time.Duration(k) * 10 * time.Second)
				x.utter(key, stranger, envelope.PresenceAt(g.mesh, stranger), envelope.Presence{
					Mesh: g.mesh, Boot: 1, Counter: uint64(w.since() / time.Second), Up: true, Transmits: true, Offers: []string{"mail", "aprs"},
				})
			}
			x.utter(key, stranger, envelope.HeardAt(s.call, stranger), envelope.Heard{Station: s.call, Mesh: g.mesh, Messaging: true})
			x.utter(key, stranger, envelope.Inbox(g.call), envelope.Receipt{
				About: fmt.Sprintf("%s.%d", g.call, seq), Station: l.to, To: l.from, Result: envelope.ResultDelivered,
			})
		}, "a stranger says that he transmits for %s, that he hears %s and that %d of %s is delivered (%d)", g.mesh, s.call, seq, g.call, n)
	}
	p.strangerWrites(stranger, !p.any)
	p.strangerWrites(p.gateways[p.more.IntN(len(p.gateways))].call, true)
}

// strangerWrites has him bring a text to everybody, under somebody's call sign.
func (p *plan) strangerWrites(as string, bad bool) {
	n := len(p.letters) + 1
	l := &letter{n: n, from: callSign(101, 14), to: "ALL", id: fmt.Sprint("s", n), text: fmt.Sprintf("nr%d good news for everybody", n), group: true}
	if bad {
		l.bad = "the gateway that brought it is not believed"
	}
	p.letters = append(p.letters, l)
	l.at = p.sometime()
	p.happens(l.at, func(w *world) {
		x := w.wire.exchange
		x.utter(x.key(stranger, 0), as, envelope.Group("ALL"), envelope.Text{From: l.from, To: l.to, OriginID: l.id, Text: l.text, Exercise: w.plan.exercise, Hops: []string{as}})
	}, "a stranger brings a text as %s: %s", as, l.text)
}

// changeKey has a gateway take a new key: first the others believe both, then only
// the new one.
func (p *plan) changeKey() {
	g := p.gateways[p.more.IntN(len(p.gateways))].call
	at := min(p.sometime(), p.end-5*time.Minute)
	p.happens(at, func(w *world) {
		w.believe(func(_ *gateway, keys map[string][]int) { keys[g] = []int{0, 1} })
		time.Sleep(10 * time.Second)
		x := w.gateway(g)
		x.off()
		x.keyNumber = 1
		x.on()
		time.Sleep(2 * time.Minute)
		w.believe(func(_ *gateway, keys map[string][]int) { keys[g] = []int{1} })
		time.Sleep(10*time.Second + 300*time.Millisecond)
		w.releaseAll()
	}, "%s takes a new key", g)
}

// disbelieve has the operator of a gateway believe another one no more, for some
// minutes.
func (p *plan) disbelieve() {
	a, b := p.gateways[p.more.IntN(len(p.gateways))], p.gateways[p.more.IntN(len(p.gateways))]
	if a.mesh == b.mesh {
		return // they would both transmit
	}
	at, d := min(p.sometime(), p.end-5*time.Minute), time.Minute+time.Duration(p.more.Int64N(int64(3*time.Minute)))
	p.happens(at, func(w *world) {
		x := w.gateway(a.call)
		was := x.keys[b.call]
		x.believe(func(keys map[string][]int) { delete(keys, b.call) })
		w.ledger.note(entry{what: disbelieved, gateway: a.call, to: b.call, until: w.since() + d})
		time.Sleep(d)
		x.believe(func(keys map[string][]int) { keys[b.call] = was })
		time.Sleep(10*time.Second + 300*time.Millisecond)
		w.releaseAll()
	}, "%s does not believe %s for %v", a.call, b.call, d)
}

// believe changes everybody's list.
func (w *world) believe(change func(g *gateway, keys map[string][]int)) {
	for _, g := range w.gateways {
		g.believe(func(keys map[string][]int) { change(g, keys) })
	}
}

// releaseAll has every operator let go what was held for him, since he trusts it
// again.
func (w *world) releaseAll() {
	for _, g := range w.gateways {
		l := g.alive()
		if l == nil || l.dark.Load() {
			continue
		}
		list, err := l.disk.List(context.Background(), true, 0, 1000)
		if err != nil {
			continue
		}
		for _, r := range list {
			if slices.ContainsFunc(r.Deliveries, func(d queue.Delivery) bool { return d.State == queue.Parked }) && !r.Restored {
				_, _ = l.bridge.Order(context.Background(), desk.Order{ID: fmt.Sprintf("%s.%d", g.call, r.Seq), Do: desk.Release, By: "the operator"}) // it may have just ended
			}
		}
	}
}

// notFromStrangers is invariant 3: what a gateway takes from others is signed by
// those on its list, and it hands nothing to anybody else.
func (j *judge) notFromStrangers() {
	for _, e := range j.l.all {
		switch {
		case e.what == passed && e.to != "" && e.to != liar && j.l.w.gateway(e.to) == nil:
			j.fault(3, "%s handed nr%d to %s, whom nobody knows", e.gateway, e.letter, e.to)
		case e.what != disbelieved:
			continue
		}
		for _, t := range j.l.all {
			if e.what == disbelieved && t.what == takenFar && t.gateway == e.gateway && t.to == e.to && t.at > e.at+10*time.Second && t.at < e.until {
				j.fault(3, "%s took nr%d from %s at %.1f s, whose key its operator had taken off the list at %.1f s", t.gateway, t.letter, t.to, t.at.Seconds(), e.at.Seconds())
			}
		}
	}
}
