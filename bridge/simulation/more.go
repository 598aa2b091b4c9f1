package simulation

import (
	"context"
	"fmt"
	"time"
)

// What follows is drawn from a stream of its own, so that it leaves the rest of a
// world as it was before.

// drawRules decides by which of the operators' rules a world lives.
func (p *plan) drawRules() {
	if p.more.IntN(5) == 0 {
		p.exercise = "DRILL"
	}
	p.duty = p.more.IntN(2) == 0
}

// duty is a limit for a node's own transmitter, in percent of an hour.
const duty = 0.3

// addMore adds letters that are refused by whom they are for, or that some link may
// not carry, and operators who block somebody.
func (p *plan) addMore() {
	for _, l := range p.letters {
		l.naks = !l.group && !l.mail && l.id != "" && p.more.IntN(15) == 0
	}
	for _, s := range p.stations {
		if s.mesh == aprsNet && p.more.IntN(2) == 0 {
			p.mailUnlicensed(s.call)
		}
	}
	if p.more.IntN(4) == 0 {
		p.spoilBlock()
	}
	if p.more.IntN(4) == 0 {
		p.wakeWithoutClock()
	}
	if p.more.IntN(3) == 0 {
		p.cutBothOff()
	}
}

// mailUnlicensed has somebody without a call sign mail a station.
func (p *plan) mailUnlicensed(to string) {
	n := len(p.letters) + 1
	l := &letter{n: n, from: "carl@club.example", to: to, id: fmt.Sprintf("m%d@club.example", n), text: fmt.Sprintf("nr%d is there anything you need", n)}
	p.letters = append(p.letters, l)
	var with []string
	for _, g := range p.gateways {
		if g.mail {
			with = append(with, g.call)
		}
	}
	by := with[p.more.IntN(len(with))]
	p.happens(p.sometime(), func(w *world) { w.post(w.gateway(by), l) }, "%s mails %s by %s, without a call sign: %s", l.from, l.to, by, l.text)
}

// sometime is a time of the script.
func (p *plan) sometime() time.Duration {
	return settle + time.Duration(p.more.Int64N(int64(p.end-settle-time.Minute)))
}

// spoilBlock has every operator block a station for good.
func (p *plan) spoilBlock() {
	call := p.stations[p.more.IntN(len(p.stations))].call
	for _, g := range p.gateways {
		p.happens(p.sometime(), func(w *world) {
			l := w.gateway(g.call).alive()
			if l == nil || l.dark.Load() || l.bridge.Block(context.Background(), call, "it plays music", "the operator") != nil || l.dark.Load() {
				return
			}
			w.ledger.note(entry{what: blocked, gateway: g.call, station: call})
		}, "the operator of %s blocks %s", g.call, call)
	}
}

// wakeWithoutClock has a gateway be off for some minutes, start with a clock that
// nobody has set, and take a text before that is done.
func (p *plan) wakeWithoutClock() {
	g := p.gateways[p.more.IntN(len(p.gateways))]
	from := p.oneOn(g.mesh)
	n := len(p.letters) + 1
	p.ids[from]++
	l := &letter{n: n, from: from, to: nobodyHears, id: fmt.Sprint(p.ids[from]), text: fmt.Sprintf("nr%d is anybody there", n)}
	p.letters = append(p.letters, l)
	at, off := p.sometime(), 4*time.Minute+time.Duration(p.more.Int64N(int64(4*time.Minute)))
	at = min(at, p.end-10*time.Minute) // it is there again before all is over
	p.happens(at, func(w *world) {
		x := w.gateway(g.call)
		x.off()
		x.wall.unsure.Store(true)
		time.Sleep(off)
		x.on()
		time.Sleep(20 * time.Second)
		w.stations[from].write(l)
		time.Sleep(40*time.Second + 300*time.Millisecond) // between two ticks
		x.wall.set()
	}, "%s is off for %v and starts with a clock that is not set", g.call, off)
}

// cutBothOff cuts all gateways of a mesh off from the trunk, for as long as makes
// newcomers of them, while the ack of a text does not come.
func (p *plan) cutBothOff() {
	of := map[string][]string{}
	for _, g := range p.gateways {
		of[g.mesh] = append(of[g.mesh], g.call)
	}
	for _, m := range p.meshes {
		if len(of[m.name]) < 2 || m.radio != nil {
			continue
		}
		from, to := p.oneOff(m.name), p.oneOn(m.name)
		if from == "" || to == "" {
			continue
		}
		n := len(p.letters) + 1
		p.ids[from]++
		l := &letter{n: n, from: from, to: to, id: fmt.Sprint(p.ids[from]), text: fmt.Sprintf("nr%d can you hear me", n)}
		p.letters = append(p.letters, l)
		p.happens(p.sometime(), func(w *world) {
			w.stations[to].silence(150 * time.Second)
			w.stations[from].write(l)
			time.Sleep(15 * time.Second)
			for _, call := range of[m.name] {
				w.wire.sever(call, 100*time.Second)
			}
		}, "the gateways of %s are cut off while %s acknowledges nothing to %s", m.name, to, from)
		return
	}
}

// oneOn and oneOff give a station of a mesh, or of another mesh.
func (p *plan) oneOn(mesh string) string {
	for _, s := range p.stations {
		if s.mesh == mesh {
			return s.call
		}
	}
	return ""
}

func (p *plan) oneOff(mesh string) string {
	for _, s := range p.stations {
		if s.mesh != mesh && s.mesh != aprsNet {
			return s.call
		}
	}
	return ""
}

// refuses tells whether the addressee of a text wants none of it.
func (w *world) refuses(text string) bool {
	n := number(text)
	return n > 0 && n <= len(w.plan.letters) && w.plan.letters[n-1].naks
}
