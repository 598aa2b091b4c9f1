package simulation

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// In some calm worlds a gateway that everybody believes lies, and signs it well: it
// hears stations of other meshes, takes over what it never delivers, says of some that
// it was delivered, answers for what it was never given, and floods. It can do harm to
// what it was given, and to nothing else.

// elsewhere is the mesh on which that gateway says that it transmits.
const elsewhere = "meshz"

// lie has it do all that.
func (p *plan) lie() {
	p.signed, p.liar = true, true
	p.end = settle + 14*time.Minute
	var claimed []string
	for i, s := range p.stations {
		if s.mesh != aprsNet && i%3 == 0 {
			claimed = append(claimed, s.call)
		}
	}
	p.happens(settle, func(w *world) { w.keepLying() }, "%s is there", liar)
	for at := settle; at < p.end; at += time.Minute {
		p.happens(at+p.span(0, time.Second), func(w *world) { w.claim(claimed) }, "%s hears %s", liar, strings.Join(claimed, ", "))
	}
	for range 12 {
		victim := p.gateways[p.n(len(p.gateways))].call
		p.happens(p.when(), func(w *world) { w.falsely(w.gateway(victim)) }, "%s says that it has what %s waits with, and has delivered it", liar, victim)
	}
	p.flood()
}

// keepLying has it say that it is there, as long as there is anybody.
func (w *world) keepLying() {
	x := w.wire.exchange
	x.utter(x.key(liar, 0), liar, envelope.PresenceAt(elsewhere, liar), envelope.Presence{
		Mesh: elsewhere, Boot: 1, Counter: uint64(w.since() / time.Second), Up: true, Transmits: true, Offers: []string{"mail"},
	})
	w.after(presence.Every, w.keepLying, "keep lying")
}

// claim has it say whom it hears.
func (w *world) claim(stations []string) {
	x := w.wire.exchange
	for _, call := range stations {
		x.utter(x.key(liar, 0), liar, envelope.HeardAt(call, liar), envelope.Heard{Station: call, Mesh: elsewhere, Messaging: true})
	}
}

// falsely has it answer for what a gateway waits with and has not given it. It knows
// the ids, since they count up.
func (w *world) falsely(victim *gateway) {
	list, err := victim.alive().disk.List(context.Background(), true, 0, 1000)
	if err != nil {
		w.ledger.complain("%s: %v", victim.call, err)
	}
	x := w.wire.exchange
	for _, r := range list {
		about := fmt.Sprintf("%s.%d", victim.call, r.Seq)
		if m := &r.Message; m.Kind == message.Text && !w.ledger.gave(about) {
			x.utter(x.key(liar, 0), liar, envelope.Inbox(victim.call), envelope.Custody{About: about})
			x.utter(x.key(liar, 0), liar, envelope.Inbox(victim.call), envelope.Receipt{About: about, Station: m.To, Result: envelope.ResultDelivered})
		}
	}
}

// given is what it does with what comes: it takes it over, and says of each second text
// that it has been delivered.
func (w *world) given(by string, f *link.Frame) {
	about, n, text := f.Record, w.plan.letterIn(f), f.Message.Kind == message.Text
	if text {
		w.ledger.note(entry{what: misled, letter: n, gateway: by, to: liar, frame: about})
	}
	w.after(time.Second, func() {
		x := w.wire.exchange
		x.utter(x.key(liar, 0), liar, envelope.Inbox(by), envelope.Custody{About: about})
		if text && falselyDelivered(n) {
			x.utter(x.key(liar, 0), liar, envelope.Inbox(by), envelope.Receipt{About: about, Station: f.Message.To, Result: envelope.ResultDelivered})
		}
	}, "liar", about)
}

// falselyDelivered tells whether it says of a text that it has been delivered.
func falselyDelivered(letter int) bool { return letter%2 == 0 }

// gave tells whether the liar was given what goes by an id.
func (l *ledger) gave(about string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.ContainsFunc(l.all, func(e entry) bool { return e.what == misled && e.frame == about })
}

// trusted tells whether a gateway gave a letter to the liar: what becomes of it is the
// liar's word.
func (f *file) trusted() bool { return len(f.find(misled)) > 0 }

// trustedBy tells whether a gateway had given a letter to the liar by then: it is the
// liar's to deliver, wherever its addressee is heard since.
func (f *file) trustedBy(gateway string, then time.Duration) bool {
	return slices.ContainsFunc(f.find(misled), func(e entry) bool { return e.gateway == gateway && e.at < then })
}

// The flood: texts of one station, far more than its turn, and each of them once more
// under a new number and another name.
const (
	floodOf     = 80
	floodRate   = 30 // of the settings, in ten minutes
	floodLength = 5 * time.Minute
)

var flooder = callSign(101, 13)

// flood has the liar bring them.
func (p *plan) flood() {
	for i := range p.gateways {
		g := &p.gateways[i]
		for k := range g.env {
			if strings.HasPrefix(g.env[k], "POSTHOUSE_RATE=") {
				g.env[k] = fmt.Sprintf("POSTHOUSE_RATE=%d/10m", floodRate)
			}
		}
	}
	g := p.gateways[p.n(len(p.gateways))]
	to := p.oneOn(g.mesh)
	for i := range floodOf {
		n := len(p.letters) + 1
		l := &letter{n: n, from: flooder, to: to, id: fmt.Sprint(i + 1), text: fmt.Sprintf("nr%d buy now", n)}
		p.letters = append(p.letters, l)
		p.happens(p.span(settle+time.Minute, settle+time.Minute+floodLength), func(w *world) {
			x := w.wire.exchange
			for range 2 {
				x.utter(x.key(liar, 0), liar, envelope.Inbox(g.call), envelope.Text{From: l.from, To: l.to, OriginID: l.id, Text: l.text, Exercise: w.plan.exercise, Mesh: elsewhere, Hops: []string{liar}})
			}
		}, "%s brings %s, twice", liar, l.text)
	}
}

// flooded is that no more of it goes out than one sender may bring.
func (j *judge) flooded() {
	n := 0
	for i := range j.files {
		if f := &j.files[i]; f.from == flooder && len(f.find(transmitted)) > 0 {
			n++
		}
	}
	if most := floodRate + int(floodRate*floodLength/(10*time.Minute)); n > most {
		j.fault(3, "%d texts of a flood went out, where %d may", n, most)
	}
	j.counts["texts of a flood that went out"] = n
}
