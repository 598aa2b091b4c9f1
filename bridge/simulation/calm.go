package simulation

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// In a calm world one thing happens and nothing else goes wrong, but for what a radio
// loses. So there is hardly an excuse: all that was taken arrives.

// calm tells whether a seed means such a world.
func calm(seed uint64, size Size) bool {
	return (seed%8 == 5 || seed%16 == 7 || seed%16 == 15) && size == Small
}

// calmly has that one thing happen.
func (p *plan) calmly() {
	mesh, g := p.shared()
	if p.seed%16 == 15 {
		p.changeTransmitter(mesh, g)
		return
	}
	if p.seed%16 == 7 {
		p.wire.loss /= 4 // four announcements in a row are not lost for nothing
		switch p.seed / 16 % 3 {
		case 0:
			p.lie()
		case 1:
			p.wakeInThePast(mesh)
		case 2:
			p.stepClocks()
		}
		return
	}
	switch p.seed / 8 % 4 {
	case 0:
		p.fillDisk(mesh, g)
	case 1:
		p.roamAndBack()
	case 2:
		p.joinInARing()
	case 3:
		p.old = g
	}
}

// shared gives a mesh of two gateways, and the one that transmits there.
func (p *plan) shared() (mesh, gateway string) {
	first := map[string]string{}
	for _, g := range p.gateways {
		if first[g.mesh] != "" {
			return g.mesh, first[g.mesh]
		}
		first[g.mesh] = g.call
	}
	panic("no mesh has two gateways")
}

// fillDisk has the transmitter of a mesh have no room for texts, for longer than they
// live. The other gateway of the mesh has.
func (p *plan) fillDisk(mesh, gateway string) {
	p.end = settle + lifetime + 10*time.Minute
	for i := range p.gateways {
		if g := &p.gateways[i]; g.call != gateway && g.mesh == mesh {
			g.mail = true // another one has to be able to do it
			g.env = p.settings(g)
		}
	}
	for range 10 {
		from, to := p.oneOn(mesh), p.addressee(p.oneOn(mesh))
		p.write(from, to, p.when())
		if far := p.oneOff(mesh); far != "" {
			p.write(far, from, p.when())
		}
	}
	p.happens(settle, func(w *world) { w.gateway(gateway).trouble("full", p.end-settle) }, "the disk of %s is full", gateway)
}

// roamAndBack has stations go to another mesh, and come back. They acknowledge nothing
// until then, for as long as one gateway and then the other tries.
func (p *plan) roamAndBack() {
	p.end = settle + 24*time.Minute
	gone := map[string]bool{}
	for range 4 {
		s := p.stations[p.n(len(p.stations))]
		away, from := p.meshes[p.n(len(p.meshes))].name, p.oneOff(s.mesh)
		if s.mesh == aprsNet || away == aprsNet || away == s.mesh || from == "" || gone[s.call] {
			continue // twice, and it is silent for most of a lifetime
		}
		gone[s.call] = true
		l := &letter{n: len(p.letters) + 1, from: from, to: s.call}
		p.letters = append(p.letters, l)
		p.ids[from]++
		l.id, l.text = fmt.Sprint(p.ids[from]), p.body(l.n)
		there, back := p.span(6*time.Minute, 8*time.Minute), p.span(6*time.Minute, 8*time.Minute)
		p.happens(p.span(settle, p.end-17*time.Minute), func(w *world) {
			st := w.stations[s.call]
			st.silence(there + back)
			w.stations[from].write(l)
			time.Sleep(there)
			st.move(w.meshes[away])
			time.Sleep(back)
			st.move(w.meshes[s.mesh])
		}, "%s writes to %s, which roams to %s for %v and comes back: %s", from, s.call, away, back, l.text)
	}
}

// joinInARing has foreign bridges put on the next mesh what they hear on one, as if who
// wrote it were there, until it is back. Who does not acknowledge is heard only where he
// is, so that others hand on to there what comes round.
func (p *plan) joinInARing() {
	p.ring = true
	for i, s := range p.stations {
		if i%2 == 0 {
			p.happens(settle, func(w *world) { w.stations[s.call].silence(8 * time.Minute) }, "%s acknowledges nothing", s.call)
		}
	}
}

// wakeInThePast has a gateway of a mesh start without a battery for its clock, beside
// another one that is right, and nobody sets it for longer than texts live.
func (p *plan) wakeInThePast(mesh string) {
	p.signed = true
	p.end = settle + lifetime + 20*time.Minute
	for range 10 {
		on, off := p.oneOn(mesh), p.oneOff(mesh)
		if off != "" {
			p.write(off, on, p.span(settle, p.end-lifetime))
			p.write(on, off, p.span(settle, p.end-lifetime))
		}
	}
	var of []string
	for _, g := range p.gateways {
		if g.mesh == mesh {
			of = append(of, g.call)
		}
	}
	call := of[p.n(len(of))]
	p.past = call
	past := []time.Duration{-30 * 365 * 24 * time.Hour, -400*24*time.Hour - 5*time.Hour, -7 * time.Hour}[p.n(3)]
	p.happens(settle+time.Minute, func(w *world) {
		g := w.gateway(call)
		g.off()
		g.wall.wrong.Store(int64(past))
		g.wall.unsure.Store(true)
		time.Sleep(10 * time.Second)
		g.on()
	}, "%s starts with a clock that is off by %v, and stays so", call, past)
	for _, other := range of {
		if other != call {
			p.happens(settle+3*time.Minute, func(w *world) { w.gateway(other).lose("air", 6*time.Minute) }, "%s loses its mesh, and %s transmits", other, call)
		}
	}
}

// stepClocks has the clocks of all gateways be set by hours, forwards and back, while
// stations acknowledge nothing, and receipts are under way.
func (p *plan) stepClocks() {
	p.signed = true
	p.end = settle + 16*time.Minute
	for _, s := range p.stations {
		if p.odds(1, 2) {
			p.happens(p.when(), func(w *world) { w.stations[s.call].silence(3 * time.Minute) }, "%s acknowledges nothing for a while", s.call)
		}
	}
	for _, g := range p.gateways {
		at := p.span(settle+time.Minute, settle+6*time.Minute)
		for range 3 { // no step is steady for so long that the clock is believed
			step := time.Duration(p.n(27)-13) * time.Hour
			if step.Abs() < 2*time.Hour {
				step = -20 * time.Hour // an hour off would be believed, too
			}
			p.happens(at, func(w *world) {
				x := w.gateway(g.call)
				x.wall.unsure.Store(true)
				x.wall.wrong.Store(int64(step))
			}, "the clock of %s is set off by %v", g.call, step)
			at += p.span(time.Minute, 3*time.Minute)
		}
		p.happens(at, func(w *world) {
			x := w.gateway(g.call)
			x.wall.set()
		}, "the clock of %s is right again", g.call)
	}
}

// relay is what those bridges do with a frame.
func (a *mesh) relay(m message.Message) {
	if !a.w.plan.ring || a.name == aprsNet || m.Kind == message.Beacon || a.w.since() > a.w.plan.end {
		return
	}
	m.Via = ""
	at := 0
	for i := range a.w.plan.meshes {
		if a.w.plan.meshes[i].name == a.name {
			at = i
		}
	}
	for n := 1; n <= len(a.w.plan.meshes); n++ {
		next := a.w.meshes[a.w.plan.meshes[(at+n)%len(a.w.plan.meshes)].name]
		if next.name == aprsNet {
			continue
		}
		a.w.after(time.Duration(2*n)*time.Second, func() {
			for _, g := range a.w.gatewaysOn(next.name) {
				g.hear(g.linkTo(next.name), m)
			}
		}, "relay", a.name, next.name, string(m.Kind), m.From, m.To, m.OriginID, m.Text, m.Acks)
	}
}

// normalised is a text as a gateway of an old version has it.
func (g *gateway) normalised(m message.Message) message.Message {
	if g.w.plan.old == g.call && m.Kind == message.Text {
		m.Text = strings.ReplaceAll(m.Text, " at ", " @ ")
	}
	return m
}

// sentAsOld tells whether a frame is of a text that came in by that gateway: another of
// its parts may show it.
func (f *file) sentAsOld(e entry) bool {
	return slices.ContainsFunc(f.outside(), func(x entry) bool {
		return x.gateway == e.gateway && x.record == e.record && strings.Contains(x.text, " @ ")
	})
}

// calmly is invariant 1 where nothing excuses: what was taken arrives.
func (j *judge) calmly(f *file) {
	if len(f.find(taken)) == 0 || f.group || f.bad != "" || f.naks || f.to == nobody || f.to == nobodyHears || len(f.find(refused)) > 0 && f.find(refused)[0].text != link.CodeFull {
		return
	}
	if f.answers && len(f.outside()) == 0 {
		return // to nobody: see answered
	}
	if f.trusted() || j.isStuck(f) || len(f.find(lostRecord)) > 0 {
		return
	}
	if j.l.w.plan.meshOf(f.to) == aprsNet {
		return // there stations hear each other, and one gateway alone sends
	}
	if !f.arrived(acks, ever) && (f.id != "" || !f.arrived(got, ever)) && !f.wasLost() && !j.unheard(f) && !j.anotherWasAcked(f) { // without an id, one on the same mesh asks for no ack
		j.fault(1, "%v was taken by %s at %.1f s, nothing went wrong, and it did not arrive", f, f.find(taken)[0].gateway, f.find(taken)[0].at.Seconds())
	}
	j.notAfterAck(f)
}

// isStuck tells whether a gateway without a clock kept a letter: one that came by it
// alone, as mail does, or that it had taken for its mesh before, since it does not know
// where far stations are; or a mail, and no other gateway has a mail link. Then the writer
// is told.
func (j *judge) isStuck(f *file) bool {
	past := j.l.w.plan.past
	switch {
	case past == "":
		return false
	case f.mail && (f.told() || j.toldAmongOthers(f)) && j.mailsAlone(past):
		return true
	case len(f.find(passed)) > 0:
		return false
	}
	by := map[string]bool{}
	for _, e := range f.find(taken) {
		by[e.gateway] = true
	}
	return by[past] && (len(by) == 1 || f.told() || j.toldAmongOthers(f))
}

// mailsAlone tells whether no other gateway has a mail link.
func (j *judge) mailsAlone(gateway string) bool {
	return !slices.ContainsFunc(j.l.w.plan.gateways, func(g gatewayPlan) bool { return g.mail && g.call != gateway })
}

// wasLost tells whether the air took a part from the addressee, who was there and would
// have acknowledged it: twice, or once when the first round was over, which goes by when
// he is heard, and that may be lost as well.
func (f *file) wasLost() bool {
	const firstRound = 3 // tries
	times, tries := map[[2]int]int{}, map[[2]int]int{}
	for _, e := range f.find(transmitted) {
		tries[[2]int{e.parts, e.part}]++
	}
	for _, e := range f.find(lost) {
		times[[2]int{e.parts, e.part}]++
	}
	for _, e := range f.find(acks) {
		delete(times, [2]int{e.parts, e.part})
	}
	for part, n := range times {
		if n >= 2 || tries[part] > firstRound {
			return true
		}
	}
	return false
}

// unheard tells whether those who took a text never knew where its addressee is: the air
// took from them all that he said once it was theirs to send, or the wire what far gateways
// said of him.
func (j *judge) unheard(f *file) bool {
	taken, from := f.find(taken), time.Duration(0)
	switch {
	case j.l.w.plan.meshOf(f.from) == j.l.w.plan.meshOf(f.to):
		from = taken[0].at + 10*time.Minute // it is left to the two
	case j.l.w.plan.signed: // there nothing is lost for good
		return false
	}
	if !f.told() && !j.toldAmongOthers(f) {
		return false
	}
	if out := f.firstOut(); len(out) > 0 {
		return j.movedUnheard(f, out[len(out)-1])
	}
	if len(f.find(passed)) > 0 {
		return false
	}
	return !slices.ContainsFunc(taken, func(t entry) bool { return !j.missedAll(f, t.gateway, from, from) })
}

// missedAll tells whether a gateway got no word of where the addressee of a letter is, as long
// as it lived, since some was lost: on its way there, or to a gateway that would have told it.
// What it was told by another one may be older.
func (j *judge) missedAll(f *file, gateway string, from, told time.Duration) bool {
	some := false
	for _, e := range j.l.all {
		if e.station != f.to || e.at <= from || e.at >= f.find(taken)[0].at+lifetime {
			continue
		}
		switch {
		case e.what == missed:
			some = true
		case e.gateway != gateway:
		case e.what == heardOf, e.what == toldOf && e.until > told:
			return false
		}
	}
	return some
}

// lastWait is how long after a try in vain a station that is heard is left alone at most.
const lastWait = 2 * time.Minute

// movedUnheard tells whether who sent a text last, to where its addressee was then, never
// knew that he has been anywhere since, but for right after that.
func (j *judge) movedUnheard(f *file, last entry) bool {
	return j.missedAll(f, last.gateway, last.at+lastWait, last.at+lastWait)
}

// notAfterAck is invariant 2: once a gateway knows that all of a letter has arrived, it
// goes out nowhere any more.
func (j *judge) notAfterAck(f *file) {
	if j.l.w.plan.old != "" || f.roamed() {
		return // what another normaliser, or another mesh, made of it is another text
	}
	for _, a := range f.find(ackTaken) {
		for _, e := range f.find(transmitted) {
			if e.parts == 1 && e.at > a.at+lateMark && f.wasSentAs(a) && !j.takenAnew(f, e.gateway, e.at) && !j.cameLate(f, e.gateway, a) && !j.leftBehind(f, e.gateway, a) {
				j.fault(2, "%v went out by %s on %s at %.1f s, and %s knew at %.1f s that it had arrived", f, e.gateway, e.mesh, e.at.Seconds(), a.gateway, a.at.Seconds())
				return
			}
		}
	}
}

// cameLate tells whether a gateway that had no link to its mesh read a letter only after
// one without a clock, whose word nobody believes, had taken the ack.
func (j *judge) cameLate(f *file, gateway string, ack entry) bool {
	return ack.gateway == j.l.w.plan.past && j.troubled(gateway, ack.at, ack.at, linkDown) && f.firstAt(gateway).at > ack.at
}

// leftBehind tells whether a gateway of another mesh had taken a letter from the one that
// took the ack, and that one never learned of it: the wire lost the custody receipt.
func (j *judge) leftBehind(f *file, gateway string, ack entry) bool {
	if j.l.w.gateway(gateway).mesh == j.l.w.gateway(ack.gateway).mesh {
		return false
	}
	return slices.ContainsFunc(f.find(custody), func(c entry) bool {
		return c.gateway == gateway && c.to == ack.gateway && c.at < ack.at && slices.ContainsFunc(j.l.all, func(e entry) bool {
			return e.what == custodyLost && e.gateway == gateway && e.to == ack.gateway && e.record == c.record && e.at < ack.at
		})
	})
}

// wasSentAs tells whether an ack is for a frame that the gateway that took it had sent, and
// that it had not handed over since: of an ack that is another's it tells that one, and the
// wire may lose the word.
func (f *file) wasSentAs(ack entry) bool {
	sent := false
	for _, e := range f.entries {
		switch {
		case e.gateway != ack.gateway || e.at >= ack.at:
		case e.what == transmitted && e.frame == ack.frame && e.station == ack.station:
			sent = true
		case e.what == passed:
			sent = false
		}
	}
	return sent
}

// noStorm is invariant 4 in a ring of bridges: copies come round, and that ends.
func (j *judge) noStorm(f *file) {
	n := len(f.find(transmitted))
	j.counts["transmissions of one letter in a ring, at most"] = max(n, j.counts["transmissions of one letter in a ring, at most"])
	if n > mostRounds*len(j.l.w.gateways) {
		j.fault(4, "%v was transmitted %d times by %d gateways", f, n, len(j.l.w.gateways))
	}
}

// mostRounds is how often each gateway transmits a letter at most, in all its parts, with
// its repetitions and with what comes back by foreign bridges.
const mostRounds = 25
