package simulation

import (
	"fmt"
	"math/rand/v2"
	"time"

	"posthouse/bridge/message"
)

// What follows are cases that gateways of a mesh, or a full one, come to together with
// something else. What they draw is of a stream of its own.

// addRare has some of them happen in ordinary worlds.
func (p *plan) addRare() {
	draw := rand.New(rand.NewPCG(p.seed, 4))
	if draw.IntN(6) == 0 {
		p.freeByReceipt(draw)
	}
	if draw.IntN(2) == 0 {
		p.killAtFullAirtime(draw)
	}
}

// ahead is how many texts come in before the receipt that frees a full store.
const ahead = 100

// freeByReceipt has a gateway's store be full while a text waits for its ack, and the
// ack, which makes room, come behind many texts.
func (p *plan) freeByReceipt(draw *rand.Rand) {
	g := p.gateways[draw.IntN(len(p.gateways))]
	from, to := p.oneOff(g.mesh), p.oneOn(g.mesh)
	if from == "" {
		return
	}
	n := len(p.letters) + 1
	p.ids[from]++
	l := &letter{n: n, from: from, to: to, id: fmt.Sprint(p.ids[from]), text: fmt.Sprintf("nr%d is there any room left", n)}
	p.letters = append(p.letters, l)
	at := settle + time.Duration(draw.Int64N(int64(p.end-settle-5*time.Minute)))
	p.happens(at, func(w *world) {
		w.stations[to].silence(25 * time.Second)
		w.stations[from].write(l)
		time.Sleep(15 * time.Second)
		x := w.gateway(g.call)
		x.trouble("full", 3*time.Minute)
		time.Sleep(20 * time.Second)
		for i := range ahead {
			m := message.Message{Kind: message.Text, From: to, To: "ALL", OriginID: fmt.Sprint("many", i), Text: fmt.Sprint("talk, talk, talk ", i)}
			w.after(0, func() { x.hear(x.linkTo(g.mesh), m) }, "ahead", g.call, m.Text)
		}
		w.stations[to].beacon()
		for range 180 {
			time.Sleep(time.Second)
			if w.ledger.hasAck(g.call, n) {
				x.mu.Lock()
				delete(x.until, "full")
				x.mu.Unlock()
				return
			}
		}
	}, "the store of %s is full, and %d texts come ahead of the ack that frees it", g.call, ahead)
}

// hasAck tells whether a gateway has taken an ack for a letter.
func (l *ledger) hasAck(gateway string, letter int) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range l.all {
		if e.what == ackTaken && e.gateway == gateway && e.letter == letter {
			return true
		}
	}
	return false
}

// killAtFullAirtime kills a gateway again and again while more waits for its mesh than an
// hour's air carries.
func (p *plan) killAtFullAirtime(draw *rand.Rand) {
	for _, g := range p.gateways {
		from, to, paced := p.oneOff(g.mesh), p.oneOn(g.mesh), false
		for _, m := range p.meshes {
			paced = paced || m.name == g.mesh && m.radio != nil
		}
		if !paced || from == "" {
			continue
		}
		for range 10 {
			n := len(p.letters) + 1
			p.ids[from]++
			l := &letter{n: n, from: from, to: to, id: fmt.Sprint(p.ids[from]), once: true}
			l.text = fmt.Sprintf("nr%d and here is a long list of what is needed: blankets, water, batteries, a saw, two ropes, bread, tea", n)
			p.letters = append(p.letters, l)
			p.happens(settle+time.Duration(draw.Int64N(int64(3*time.Minute))), func(w *world) { w.stations[from].write(l) }, "%s writes to %s: %s", from, to, l.text)
		}
		for at := settle + time.Minute; at < settle+8*time.Minute; at += 20*time.Second + time.Duration(draw.Int64N(int64(time.Minute))) {
			p.happens(at, func(w *world) {
				w.gateway(g.call).cut(cutAfter)
				w.gateway(g.call).on()
			}, "%s is killed at full airtime", g.call)
		}
		return
	}
}

// changeTransmitter is for calm worlds of two gateways on a mesh: the one that transmits
// is killed after it took custody of texts, and comes back when the other transmits; or
// its mesh's broker is dead while its trunk lives; or every clock jumps to the end of the
// century, and back; or a page of its store breaks.
func (p *plan) changeTransmitter(mesh, gateway string) {
	how := p.seed / 16 % 4
	if how == 3 {
		p.breakPage(mesh, gateway)
		return
	}
	if how == 2 {
		for _, g := range p.gateways {
			at := p.span(settle+time.Minute, settle+6*time.Minute)
			p.happens(at, func(w *world) {
				x := w.gateway(g.call)
				x.wall.unsure.Store(true)
				x.wall.wrong.Store(int64(99 * 365 * 24 * time.Hour))
				time.Sleep(5 * time.Minute)
				x.wall.set()
			}, "the clock of %s jumps to 2099, and back", g.call)
		}
		return
	}
	from, to := p.oneOff(mesh), p.oneOn(mesh)
	at := p.span(settle+time.Minute, settle+4*time.Minute)
	for range 3 {
		n := len(p.letters) + 1
		p.ids[from]++
		l := &letter{n: n, from: from, to: to, id: fmt.Sprint(p.ids[from])}
		l.text = p.body(n)
		p.letters = append(p.letters, l)
		p.happens(at-p.span(5*time.Second, 15*time.Second), func(w *world) { w.stations[from].write(l) }, "%s writes to %s: %s", from, to, l.text)
	}
	p.happens(at-20*time.Second, func(w *world) { w.stations[to].silence(3 * time.Minute) }, "%s acknowledges nothing", to)
	if how == 1 {
		p.happens(at, func(w *world) { w.gateway(gateway).lose("air", 6*time.Minute) }, "the broker of %s is dead at %s, its trunk lives", mesh, gateway)
		return
	}
	p.happens(at, func(w *world) {
		w.gateway(gateway).cut(cutAfter)
		time.Sleep(150 * time.Second)
		w.gateway(gateway).on()
	}, "%s is killed after it took custody, and comes back when another transmits", gateway)
}
