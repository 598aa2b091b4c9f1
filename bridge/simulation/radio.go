package simulation

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// aprsNet is the name of the APRS network. It is kept like a mesh on which
// gateways do not hear each other, and nothing is lost.
const aprsNet = "aprs-is"

// mesh is one radio channel: stations, and gateways that hear them and each
// other, badly.
type mesh struct {
	w    *world
	name string

	loss, twice float64       // of frames, for each who hears
	late        time.Duration // the longest that one takes
	via         bool          // frames of gateways name the gateway
}

// station is somebody with a radio.
type station struct {
	w    *world
	call string

	mu   sync.Mutex
	mesh *mesh
	mute time.Time       // until then it acknowledges nothing
	away time.Time       // until then it neither hears nor speaks
	mine map[string]bool // ids of its own texts that were not acknowledged yet

	resets int // of its node
}

func (s *station) where() *mesh {
	s.mu.Lock()
	defer s.mu.Unlock()
	if time.Now().Before(s.away) {
		return nil
	}
	return s.mesh
}

// move brings a station to a mesh, where it says that it is there.
func (s *station) move(to *mesh) {
	s.mu.Lock()
	s.mesh = to
	s.mu.Unlock()
	s.beacon()
}

func (s *station) beacon() {
	s.say(message.Message{Kind: message.Beacon, From: s.call, Messaging: true})
}

// repeats is how often a station says again what nobody acknowledges, and when.
const repeats = 4

// write has a station send a text, and repeat it until it is acknowledged.
func (s *station) write(l *letter) {
	s.mu.Lock()
	if l.id != "" {
		s.mine[l.id] = true
	}
	resets := s.resets
	s.mu.Unlock()
	s.tell(l, 0, resets)
}

// tell says a text for the nth time, unless its node has forgotten it.
func (s *station) tell(l *letter, n, resets int) {
	s.mu.Lock()
	waits := s.mine[l.id] && s.resets == resets
	s.mu.Unlock()
	if n > 0 && (!waits || l.once) || n > repeats {
		return
	}
	only := ""
	if n == 0 {
		only = l.heardBy
	}
	if at := s.where(); at != nil && s.w.plan.isOn(at.name, l.written) {
		s.w.ledger.note(entry{what: said, letter: l.n, station: s.call, mesh: at.name})
		s.sayTo(only, message.Message{Kind: message.Text, From: s.call, To: l.name(), OriginID: l.id, Text: l.words(), Encrypted: l.encrypted})
	}
	s.w.after(time.Duration(n+1)*40*time.Second, func() { s.tell(l, n+1, resets) }, "repeat", s.call, l.id)
}

// say puts a frame of a station on the air.
func (s *station) say(m message.Message) { s.sayTo("", m) }

// sayTo does so where one gateway alone is within reach; empty: all are.
func (s *station) sayTo(only string, m message.Message) {
	at := s.where()
	if at == nil {
		return
	}
	s.w.story("%s says %s on %s", s.call, words(&m), at.name)
	for _, g := range s.w.gatewaysOn(at.name) {
		if only != "" && g.call != only {
			continue
		}
		heard := at.reach(g.call, s.call, &m, func() { g.hear(g.linkTo(at.name), g.normalised(m)) })
		if !heard {
			s.w.ledger.note(entry{what: missed, gateway: g.call, station: s.call, mesh: at.name, frame: m.Acks})
		}
	}
	at.relay(m)
	if other := s.w.stations[m.To]; other != nil && other != s && at.name != aprsNet {
		at.reach(m.To, s.call, &m, func() { other.hear(at, link.Frame{Message: m, Text: m.Text, ID: m.OriginID, Part: 1, Parts: 1}, "") })
	}
}

// reach has a frame arrive, or not, or twice.
func (a *mesh) reach(to, from string, m *message.Message, arrive func()) bool {
	key := []string{"air", a.name, from, to, string(m.Kind), m.From, m.To, m.OriginID, m.Text, m.Acks}
	if a.w.chance.hits(a.loss, append(key, "lost")...) {
		a.w.story("   lost for %s", to)
		return false
	}
	a.w.after(300*time.Millisecond, arrive, append(key, "late")...)
	if a.w.chance.hits(a.twice, append(key, "twice")...) {
		a.w.after(300*time.Millisecond+a.late, func() {
			time.AfterFunc(time.Millisecond, arrive) // and once more at the heels of it
			arrive()
		}, append(key, "again")...)
	}
	return true
}

// transmit puts a gateway's frame on the air: its station hears it, and so do the
// other gateways.
func (a *mesh) transmit(g *gateway, f link.Frame) error {
	if a.w.chance.hits(a.w.faults.refuse, "refuse", a.name, g.call, f.Text, f.Message.Acks) {
		a.w.ledger.note(entry{what: rejected, gateway: g.call, mesh: a.name, letter: a.w.plan.letterIn(&f)})
		return fmt.Errorf("the node is busy")
	}
	a.w.story("%s transmits %s %q on %s (id %s, part %d of %d)", g.call, words(&f.Message), f.Text, a.name, f.ID, f.Part, f.Parts)
	a.w.ledger.transmitted(g.call, a.name, &f)
	for _, s := range a.w.everybody {
		m := &f.Message
		if s.where() == a && (s.call == m.To || a.w.groups[m.To]) {
			air := message.Message{Kind: m.Kind, From: m.From, To: s.call, OriginID: f.ID, Text: f.Text, Acks: m.Acks}
			if !a.reach(s.call, g.call, &air, func() { s.hear(a, f, g.call) }) && !s.isMute() {
				a.w.ledger.note(entry{what: lost, letter: a.w.plan.letterIn(&f), station: s.call, gateway: g.call, mesh: a.name, frame: f.ID, part: f.Part, parts: f.Parts})
			}
		}
	}
	if a.name != aprsNet {
		a.overhear(g, f)
	}
	if l := g.alive(); l != nil && a.w.chance.hits(a.w.faults.crashSent, "crash", a.name, g.call, f.Text, f.Message.Acks) {
		l.dieNow()
	}
	return nil
}

// overhear has the other gateways of the mesh hear a gateway's frame.
func (a *mesh) overhear(by *gateway, f link.Frame) {
	m := message.Message{Kind: f.Message.Kind, From: f.Message.From, To: f.Message.To, OriginID: f.ID, Text: f.Text, Acks: f.Message.Acks, Nak: f.Message.Nak}
	if a.via {
		m.Via = by.call
	}
	if m.Kind == message.Notice {
		m.Kind = message.Text // a mesh knows no notices
	}
	a.relay(m)
	for _, g := range a.w.gatewaysOn(a.name) {
		if g != by {
			a.reach(g.call, by.call, &m, func() { g.hear(g.linkTo(a.name), m) })
		}
	}
}

// hear is what a station does with a frame for it; by is the gateway that sent
// it, empty for a station.
func (s *station) hear(at *mesh, f link.Frame, by string) {
	if s.where() != at {
		return
	}
	m := &f.Message
	mute := s.isMute()
	s.mu.Lock()
	if m.Kind == message.Receipt {
		delete(s.mine, m.Acks)
	}
	s.mu.Unlock()
	if m.Kind != message.Text {
		return
	}
	s.w.ledger.got(s.call, by, at.name, &f)
	if f.ID == "" || m.To != s.call || mute {
		return
	}
	s.w.after(time.Second, func() { s.acknowledge(m.From, f, by) }, "ack", s.call, f.ID)
}

func (s *station) acknowledge(to string, f link.Frame, by string) {
	if s.w.refuses(f.Text) {
		s.say(message.Message{Kind: message.Receipt, From: s.call, To: to, Acks: f.ID, Nak: true})
		return
	}
	mesh := ""
	if at := s.where(); at != nil {
		mesh = at.name
	}
	s.w.ledger.note(entry{what: acks, letter: s.w.plan.letterIn(&f), station: s.call, mesh: mesh, frame: f.ID, part: f.Part, parts: f.Parts, gateway: by})
	s.say(message.Message{Kind: message.Receipt, From: s.call, To: to, Acks: f.ID})
}

// isMute tells whether it acknowledges nothing now.
func (s *station) isMute() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Now().Before(s.mute)
}

// silence has a station acknowledge nothing for a time; vanish takes it away.
func (s *station) silence(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mute = time.Now().Add(d)
}

func (s *station) vanish(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.away = time.Now().Add(d)
}

// linkTo is the name of a gateway's link to a mesh.
func (g *gateway) linkTo(name string) string {
	for _, l := range g.cfg.Links {
		if l.Mesh != nil && l.Mesh.Mesh == name || l.APRS != nil && name == aprsNet {
			return l.Name
		}
	}
	return ""
}

// gatewaysOn lists the gateways of a mesh.
func (w *world) gatewaysOn(name string) []*gateway {
	return slices.DeleteFunc(slices.Clone(w.gateways), func(g *gateway) bool { return g.linkTo(name) == "" })
}

// words tells in a few words what a message is.
func words(m *message.Message) string {
	switch m.Kind {
	case message.Receipt:
		if m.Nak {
			return fmt.Sprintf("nak %s>%s %s", m.From, m.To, m.Acks)
		}
		return fmt.Sprintf("ack %s>%s %s", m.From, m.To, m.Acks)
	case message.Text:
		return fmt.Sprintf("text %s>%s [%s] %.30q", m.From, m.To, m.OriginID, m.Text)
	}
	return fmt.Sprintf("%s %s>%s", m.Kind, m.From, m.To)
}
