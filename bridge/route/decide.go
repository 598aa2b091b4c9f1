package route

import (
	"slices"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// Query is one message that looks for its way.
type Query struct {
	From, To string // canonical, as in message.Message
	In       string // the link it came in on; empty: the gateway's own
	Mesh     string // the mesh it was heard on, when not that of link In
	// Asked is set when the writer gave the text to the gateway to pass on (it
	// was written to the gateway's call or POST): then the way may lead back to
	// the writer's own mesh, where the addressee has not seen it.
	Asked bool
	Heard []Hearing // of the addressee's base call sign, in any order
}

// Hearing is one place where a station was heard.
type Hearing struct {
	Call      string // canonical, with its SSID
	Link      string // on which we heard it, or of it
	Mesh      string // for a trunk: the far mesh
	Ago       time.Duration
	Radio     bool // by our own radio, not told by others
	Messaging bool // it sent a text or an ack, or says that it takes messages
}

// Target is one way that the message takes.
type Target struct {
	Link string
	To   string // the station, group or mail address there
}

// Decision is what becomes of a message: exactly one of its fields is set.
type Decision struct {
	Targets []Target
	Hold    bool // until the addressee is heard
	Local   bool // writer and addressee are on one mesh: they hear each other
	Refusal *rules.Refusal
}

// Decide finds the way of a message.
func (t *Table) Decide(ask Query) Decision {
	if ask.Mesh == "" {
		if in := t.link(ask.In); in != nil {
			ask.Mesh = in.mesh()
		}
	}
	if message.IsMail(ask.To) {
		return t.mail(ask)
	}
	if group, ok := t.Group(ask.To); ok {
		return t.group(ask, group)
	}
	switch c, err := callsign.Parse(ask.To); {
	case err != nil:
		return noRoute("no call sign, group or mail address: check the address")
	case c.Base == callsign.Placeholder:
		return noRoute("N0CALL is a placeholder: nobody has it")
	}
	return t.station(ask)
}

// group sends a text to each link that carries the group, but the link and the
// mesh it came from.
func (t *Table) group(ask Query, group string) Decision {
	var d Decision
	sends := false
	for i := range t.Links {
		l := &t.Links[i]
		if l.InOnly || !slices.Contains(l.Groups, group) {
			continue
		}
		sends = true
		if !t.origin(ask, l) {
			d.Targets = append(d.Targets, Target{l.Name, group})
		}
	}
	switch {
	case len(d.Targets) > 0:
		return d
	case sends: // all who are in the group have heard it where it came from
		return Decision{Local: true}
	}
	return noRoute("no link sends to this group")
}

// mail goes by a static route, else by the first mail link, else through a far
// gateway that has one; never from mail to mail: the gateway is no open relay.
func (t *Table) mail(ask Query) Decision {
	in := t.link(ask.In)
	may := func(l *Link) bool {
		return l != nil && !l.InOnly && l.Name != ask.In && (l.Kind == Trunk || l.Kind == Mail && (in == nil || in.Kind != Mail))
	}
	for _, r := range t.Routes {
		if l := t.link(r.Link); may(l) && r.Pattern.Match(ask.To) {
			return to(l, ask.To)
		}
	}
	for i := range t.Links {
		if l := &t.Links[i]; l.Kind == Mail && may(l) {
			return to(l, ask.To)
		}
	}
	if in != nil && in.Kind == Mail {
		return noRoute("mail is not relayed from mail to mail")
	}
	for i := range t.Links {
		if l := &t.Links[i]; l.Kind == Trunk && may(l) {
			return to(l, ask.To)
		}
	}
	return noRoute("no link here sends mail")
}

// station goes by a static route, else to where the station was heard, else
// the way of the unheard.
func (t *Table) station(ask Query) Decision {
	for _, r := range t.Routes {
		l := t.link(r.Link)
		if l == nil || l.InOnly || l.Kind == Mail || !r.Pattern.Match(ask.To) {
			continue
		}
		return t.toward(ask, l, t.known(ask, l.Name), l.mesh())
	}
	if h := t.best(ask); h != nil {
		l := t.link(h.Link)
		mesh := l.mesh()
		if h.Mesh != "" {
			mesh = h.Mesh
		}
		return t.toward(ask, l, h.Call, mesh)
	}
	if l := t.link(t.Unheard); l != nil && !l.InOnly && l.Kind != Mail && !t.origin(ask, l) {
		return to(l, ask.To)
	}
	return Decision{Hold: true}
}

// toward goes to a station on a link, unless that is where the message came
// from. On one mesh (or one APRS network) the two hear each other, unless the
// gateway was asked to pass it on. On a trunk a message may go back the way it
// came: stations roam, and the hand-overs are bounded.
func (t *Table) toward(ask Query, l *Link, call, mesh string) Decision {
	same := l.Name == ask.In && l.Kind != Trunk || mesh != "" && mesh == ask.Mesh
	if same && !ask.Asked {
		return Decision{Local: true}
	}
	return to(l, call)
}

// best picks the hearing to go by, nil if none counts.
func (t *Table) best(ask Query) *Hearing {
	var best *Hearing
	for i := range ask.Heard {
		if h := &ask.Heard[i]; t.counts(ask.To, h) && (best == nil || t.before(h, best)) {
			best = h
		}
	}
	return best
}

// known gives the station that a call sign means on a link: itself, or without
// an SSID the one heard there last.
func (t *Table) known(ask Query, name string) string {
	var best *Hearing
	for i := range ask.Heard {
		if h := &ask.Heard[i]; h.Link == name && t.counts(ask.To, h) && (best == nil || t.before(h, best)) {
			best = h
		}
	}
	if best == nil {
		return ask.To
	}
	return best.Call
}

// counts tells whether a hearing is a way to the addressee. With an SSID (or a
// portable mark) only that station is meant. Without one each station of the
// call sign is, but on APRS only those that take messages: a tracker never
// answers.
func (t *Table) counts(addressee string, h *Hearing) bool {
	l := t.link(h.Link)
	if l == nil || l.InOnly || l.Kind == Mail || l.Heard > 0 && h.Ago > l.Heard {
		return false
	}
	if h.Call == addressee {
		return true
	}
	if callsign.Base(addressee) != addressee || callsign.Base(h.Call) != addressee {
		return false
	}
	return h.Messaging || l.Kind != APRS
}

// ownFresh is how long our own hearing goes before what others tell.
const ownFresh = 10 * time.Minute

// before tells whether a is the better way: heard by ourselves a moment ago,
// then on any mesh, then on APRS; then who takes messages; then heard last.
func (t *Table) before(a, b *Hearing) bool {
	if x, y := t.rank(a), t.rank(b); x != y {
		return x < y
	}
	return a.Ago < b.Ago
}

func (t *Table) rank(h *Hearing) int {
	kind := t.link(h.Link).Kind
	switch {
	case kind == Mesh && h.Radio && h.Ago <= ownFresh:
		return 0
	case kind != APRS:
		return 1
	}
	return 2
}

// origin tells whether a link leads back to where the message came from.
func (t *Table) origin(ask Query, l *Link) bool {
	return l.Name == ask.In || ask.Mesh != "" && l.mesh() == ask.Mesh
}

func to(l *Link, addressee string) Decision {
	return Decision{Targets: []Target{{l.Name, addressee}}}
}

func noRoute(why string) Decision {
	return Decision{Refusal: &rules.Refusal{Code: link.CodeNoRoute, Why: why, Regulation: "none: the gateway does not know the way"}}
}
