package simulation

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
)

// Some phones know only their own mesh. They write to POST, or to a gateway, and begin with
// the address; without one they answer who wrote to them last. What follows is drawn from a
// stream of its own, and comes after all else.

// addPhones has that befall every second world.
func (p *plan) addPhones() {
	draw := rand.New(rand.NewPCG(p.seed, 5))
	if draw.IntN(2) > 0 {
		return
	}
	for range 4 + draw.IntN(5) {
		at := settle + time.Duration(draw.Int64N(int64(p.end-settle-3*time.Minute)))
		switch draw.IntN(10) {
		case 0, 1, 2:
			p.answerByPhone(draw, at)
		case 3:
			p.sayTheSame(draw, at)
		default:
			from := p.stations[draw.IntN(len(p.stations))]
			p.writeByPhone(draw, from, p.anybody(draw, from.call), at)
		}
	}
}

// anybody is whom a phone may write to.
func (p *plan) anybody(draw *rand.Rand, from string) string {
	switch draw.IntN(8) {
	case 0:
		return "ALL"
	case 1:
		return []string{nobody, nobodyHears}[draw.IntN(2)]
	case 2, 3:
		return []string{"ann@club.example", "bob@county.example"}[draw.IntN(2)]
	}
	for {
		if to := p.stations[draw.IntN(len(p.stations))].call; to != from {
			return to
		}
	}
}

// writeByPhone has a station write to POST or to a gateway of its mesh; to nobody: it
// answers.
func (p *plan) writeByPhone(draw *rand.Rand, from stationPlan, to string, at time.Duration) *letter {
	l := &letter{n: len(p.letters) + 1, from: from.call, to: to, group: to == "ALL", mail: message.IsMail(to), once: draw.IntN(2) == 0}
	p.letters = append(p.letters, l)
	l.text = fmt.Sprintf("nr%d %s", l.n, phrases[draw.IntN(len(phrases))])
	if draw.IntN(8) == 0 {
		l.text = "EMERGENCY " + l.text
	}
	if l.answers = to == ""; !l.answers {
		l.said = to + []string{" ", ": "}[draw.IntN(2)] + l.text
	}
	if rest, ok := strings.CutPrefix(l.text, "EMERGENCY "); ok && !l.answers && draw.IntN(2) == 0 {
		l.said = "EMERGENCY " + to + " " + rest // whichever comes first
	}
	l.written = p.nameOfGateway(draw, from.mesh)
	if draw.IntN(4) > 0 {
		p.ids[l.from]++
		l.id = fmt.Sprint(p.ids[l.from])
	}
	p.sayTo(draw, l, at)
	return l
}

// nameOfGateway is what a phone calls the gateways of a mesh. On APRS there is no POST, and
// in a ring a text goes on to where nobody has that call sign.
func (p *plan) nameOfGateway(draw *rand.Rand, mesh string) string {
	var of []string
	for _, g := range p.gateways {
		if g.mesh == mesh || g.aprs && mesh == aprsNet {
			of = append(of, g.call)
		}
	}
	name := of[draw.IntN(len(of))]
	switch {
	case mesh == aprsNet:
		return name
	case p.ring:
		return route.Post
	}
	return []string{route.Post, route.Post, name, callsign.Base(name)}[draw.IntN(4)]
}

// sayTo has a phone say its text: some only one gateway of the mesh hears at first, and
// some without an id are said again before they are two.
func (p *plan) sayTo(draw *rand.Rand, l *letter, at time.Duration) {
	var of []string
	for _, g := range p.gateways {
		if g.mesh == p.meshOf(l.from) {
			of = append(of, g.call)
		}
	}
	if len(of) > 1 && draw.IntN(2) == 0 {
		l.heardBy = of[draw.IntN(len(of))]
	}
	l.at = at
	p.happens(at, func(w *world) { w.stations[l.from].write(l) }, "%s writes to %s: %s", l.from, l.written, l.words())
	if again := 10*time.Second + time.Duration(draw.Int64N(int64(40*time.Second))); l.id == "" && draw.IntN(2) == 0 {
		p.happens(at+again, func(w *world) {
			l.heardBy = ""
			w.stations[l.from].tell(l, 0, 0)
		}, "%s says so again: %s", l.from, l.words())
	}
}

// sayTheSame has two stations write the same words to one mailbox or station, and under
// the same id.
func (p *plan) sayTheSame(draw *rand.Rand, at time.Duration) {
	a, b := p.stations[draw.IntN(len(p.stations))], p.stations[draw.IntN(len(p.stations))]
	to := p.anybody(draw, a.call)
	if a == b || to == b.call || to == "ALL" {
		return
	}
	first := p.writeByPhone(draw, a, to, at)
	second := *first
	second.n, second.alike, second.from = len(p.letters)+1, first.n, b.call
	second.written, second.heardBy = p.nameOfGateway(draw, b.mesh), ""
	if first.id != "" {
		first.id, second.id = fmt.Sprint("s", first.n), fmt.Sprint("s", first.n)
	}
	p.letters = append(p.letters, &second)
	p.sayTo(draw, &second, at+time.Duration(draw.Int64N(int64(30*time.Second))))
}

// answerByPhone has a station answer who wrote to it last: a mail, or another station.
// Whom that is the ledger knows.
func (p *plan) answerByPhone(draw *rand.Rand, at time.Duration) {
	s := p.stations[draw.IntN(len(p.stations))]
	var asked []*letter
	for _, l := range p.letters {
		if l.at > 0 && l.at < p.end-3*time.Minute && l.bad == "" && !l.naks && p.meshOf(l.to) != "" {
			asked = append(asked, l)
		}
	}
	if draw.IntN(2) == 0 || len(asked) == 0 {
		p.mailByPhone(draw, s.call, at)
	} else {
		l := asked[draw.IntN(len(asked))]
		at = l.at
		s = p.stations[slices.IndexFunc(p.stations, func(s stationPlan) bool { return s.call == l.to })]
	}
	p.writeByPhone(draw, s, "", at+5*time.Second+time.Duration(draw.Int64N(int64(2*time.Minute))))
}

// mailByPhone has somebody mail a station, for it to answer.
func (p *plan) mailByPhone(draw *rand.Rand, to string, at time.Duration) {
	n := len(p.letters) + 1
	l := &letter{n: n, from: "ann@club.example", to: to, id: fmt.Sprintf("m%d@club.example", n), licence: callSign(103, 0), text: fmt.Sprintf("nr%d how are you", n)}
	p.letters = append(p.letters, l)
	var with []string
	for _, g := range p.gateways {
		if g.mail {
			with = append(with, g.call)
		}
	}
	by := with[draw.IntN(len(with))]
	p.happens(at, func(w *world) { w.post(w.gateway(by), l) }, "%s mails %s by %s: %s", l.from, l.to, by, l.text)
}

// isOn tells whether a gateway of that name is on a mesh, as a phone knows it.
func (p *plan) isOn(mesh, name string) bool {
	return name == "" || name == route.Post || slices.ContainsFunc(p.gateways, func(g gatewayPlan) bool {
		return (g.mesh == mesh || g.aprs && mesh == aprsNet) && (g.call == name || callsign.Base(g.call) == name)
	})
}

// name is whom the writer wrote to: in that name he is answered.
func (l *letter) name() string { return cmp.Or(l.written, l.to) }

// words are what he said.
func (l *letter) words() string { return cmp.Or(l.said, l.text) }

// letterBy finds which letter of somebody's a text is: two may say the same.
func (p *plan) letterBy(writer, text string) int {
	n := number(text)
	for _, l := range p.letters {
		if n > 0 && l.alike == n && l.from == writer {
			return l.n
		}
	}
	return n
}

// letterIn finds which letter a frame is of: it may be a part that bears no
// number.
func (p *plan) letterIn(f *link.Frame) int {
	m := &f.Message
	writer := m.From
	if m.Kind == message.Notice {
		writer = m.To
	}
	if n := p.letterBy(writer, f.Text); n > 0 {
		return n
	}
	return p.letterBy(writer, m.Text)
}

// findAddressee finds out whom an answer without an address went to.
func (f *file) findAddressee() {
	if !f.answers {
		return
	}
	if out := f.firstOut(); len(out) > 0 {
		f.to, f.mail = out[0].station, message.IsMail(out[0].station)
	}
}

// reached tells whether an addressee has acknowledged it. An answer has two if two gateways
// took themselves for the transmitter, as when the trunk is away: answered judges that.
func (f *file) reached(before time.Duration) bool {
	if !f.answers {
		return f.arrived(acks, before)
	}
	return slices.ContainsFunc(f.outside(), func(e entry) bool {
		l := *f.letter
		l.to, l.mail = e.station, message.IsMail(e.station)
		return (&file{&l, f.l, f.entries}).arrived(acks, before)
	})
}

// firstOut is outside, in the order of time.
func (f *file) firstOut() []entry {
	out := f.outside()
	slices.SortStableFunc(out, func(a, b entry) int { return cmp.Compare(a.at, b.at) })
	return out
}

// answered is what must hold of an answer without an address: it goes to somebody whose
// text its writer had been given, or had acknowledged, when he said it last, or when a
// gateway heard that: the text does not say when it was written, and to one that stood still
// it came late. One without a clock does not tell the others when it heard it. If there is
// nobody the writer hears so.
func (j *judge) answered(f *file) {
	if !f.answers || len(f.entries) == 0 {
		return
	}
	out := f.firstOut()
	if len(out) == 0 {
		j.heardOfRefusal(f)
		return
	}
	for _, e := range out {
		anothers := j.l.w.plan.old != "" && f.sentAsOld(e) != f.sentAsOld(out[0]) // two normalisers, two texts
		if e.station != f.to && !anothers && !j.changed(j.concerned(f), f.entries[0].at, e.at) {
			j.fault(2, "%v, an answer, went to %s, too, by %s at %.1f s", f, e.station, e.gateway, e.at.Seconds())
		}
	}
	by := time.Duration(0)
	for _, e := range f.entries {
		switch {
		case e.what == said && e.at < out[0].at:
			by = max(by, e.at+onTheWay)
		case (e.what == taken || e.what == takenFar && e.undated) && e.at <= out[0].at: // taken: from the air
			by = max(by, e.at)
		}
	}
	if j.wroteTo(f.to, f.from, min(by, out[0].at)) {
		j.counts["answers without an address"]++
		return
	}
	j.fault(1, "%v, an answer, went to %s, who had written nothing to %s", f, f.to, f.from)
}

// heardOfRefusal: who is told nothing waits for nothing.
func (j *judge) heardOfRefusal(f *file) {
	for _, e := range f.find(refused) {
		if e.text != link.CodeNoRoute || f.told() || j.isBlocked(f) || j.forgot(e) || j.airless(f, noticeLifetime) || j.troubled(e.gateway, e.at, e.at, badDisk) {
			continue // a full disk has no room for a notice
		}
		told := 0
		for _, n := range j.l.all {
			if n.what == noticed && n.station == f.from && n.at > e.at-time.Hour && n.at <= e.at {
				told++
			}
		}
		if told < noticesAnHour {
			j.fault(1, "%v was refused by %s at %.1f s (%s), and its writer never heard of it", f, e.gateway, e.at.Seconds(), e.text)
		}
		return
	}
}
