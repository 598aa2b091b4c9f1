package bridge

import (
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// localFor is how long a text between two stations of one mesh is left to them
// before it is held like any other.
const localFor = 10 * time.Minute

// routes builds the routing table from the settings.
func routes(cfg *config.Config) (*route.Table, error) {
	t := &route.Table{Own: cfg.Callsign, Unheard: cfg.Unheard, Aliases: map[string]string{}}
	for name, to := range cfg.Aliases {
		t.Aliases[strings.ToUpper(name)] = canonical(to)
	}
	for _, l := range cfg.Links {
		r := route.Link{Name: l.Name, Kind: l.Kind, InOnly: !l.MaySend(), Heard: l.HeardFor}
		for _, g := range l.Groups {
			r.Groups = append(r.Groups, strings.ToUpper(g))
		}
		if l.Mesh != nil {
			r.Mesh = l.Mesh.Mesh
		}
		t.Links = append(t.Links, r)
	}
	for _, r := range cfg.Routes {
		p, err := rules.ParsePattern(r.Pattern)
		if err != nil {
			return nil, err
		}
		t.Routes = append(t.Routes, route.Route{Pattern: p, Link: r.Link})
	}
	return t, nil
}

// decide asks the routing table where a message goes.
func (b *Bridge) decide(m *message.Message, asked bool) route.Decision {
	q := route.Query{From: m.From, To: m.To, In: m.Link, Mesh: m.Mesh, Asked: asked}
	if !message.IsMail(m.To) {
		now := b.clock.Age()
		for _, e := range b.heard.find(callsign.Base(m.To)) {
			q.Heard = append(q.Heard, route.Hearing{
				Call: e.call, Link: e.link, Ago: now.Sub(e.at), Radio: b.isRadio(e.link), Messaging: e.answers,
			})
		}
		q.Heard = append(q.Heard, b.farHearings(callsign.Base(m.To))...)
		if len(q.Heard) == 0 || q.Heard[0].Ago > ownFresh {
			if b.far.want(m.To, time.Now()) {
				b.lookFar()
			}
		}
	}
	return b.table.Decide(q)
}

// route returns the deliveries of a text, or why there can be none. No delivery
// and no refusal: every addressee has heard it already.
func (b *Bridge) route(ln *line, m *message.Message) ([]queue.Delivery, *rules.Refusal) {
	if m.To == b.own.String() {
		return nil, &rules.Refusal{Code: link.CodeNoRoute, Why: "the gateway itself answers no messages"}
	}
	handed := m.Handed && ln != nil && ln.trunk != nil // that gateway knows that the addressee is not on the writer's mesh
	d := b.decide(m, m.Written != "" || handed)
	switch {
	case d.Refusal != nil:
		return nil, d.Refusal
	case d.Hold:
		return []queue.Delivery{{To: m.To, State: queue.Held}}, nil
	case d.Local && b.isGroup(m.To):
		return nil, nil
	case d.Local:
		local := queue.Delivery{Link: ln.Name, To: m.To, State: queue.Local, Due: b.clock.Age().Add(localFor)}
		if m.OriginID != "" {
			local.Parts = []queue.Part{{ID: localFrame(m.From, m.OriginID)}}
		}
		return []queue.Delivery{local}, nil
	}
	var out []queue.Delivery
	var first *rules.Refusal
	for _, t := range d.Targets {
		if ref := b.mayTake(m, t); ref != nil {
			if first == nil {
				first = ref
			}
			continue
		}
		out = append(out, b.deliveriesTo(t)...)
	}
	if len(out) == 0 {
		return nil, first
	}
	return out, nil
}

// mayTake asks whether a link may carry the text, and whether it fits there, so
// that the writer hears of it at once.
func (b *Bridge) mayTake(m *message.Message, t route.Target) *rules.Refusal {
	ln := b.byName[t.Link]
	if ref := rules.CheckOut(m, b.out(ln, m)); ref != nil {
		return ref
	}
	medium := ln.props.Medium
	mark, text := b.mark(ln, m)
	if ln.pace != nil && ln.pace.budget.TooLong(ln.pace.cost(min(len(text)+len(mark.Before)+len(mark.After), medium.MaxBytes))) && m.Precedence != message.Emergency {
		return &rules.Refusal{Code: link.CodeTooLong, Why: "one frame needs more airtime than the limit"}
	}
	if medium.MaxBytes == 0 || len(text)+len(mark.Before)+len(mark.After) <= medium.MaxBytes && !medium.ASCII {
		return nil
	}
	if _, err := fit.Fit(text, medium, mark); err != nil {
		return &rules.Refusal{Code: link.CodeTooLong, Why: err.Error()}
	}
	return nil
}

// deliveriesTo makes the deliveries of one target: a group on a mail link goes
// to each address that the operator listed.
func (b *Bridge) deliveriesTo(t route.Target) []queue.Delivery {
	ln := b.byName[t.Link]
	if ln.trunk != nil && !b.isGroup(t.To) {
		g := b.gatewayFor(t.Link, t.To, message.IsMail(t.To))
		if g == "" {
			return []queue.Delivery{{To: t.To, State: queue.Held}}
		}
		return []queue.Delivery{{Link: t.Link, To: t.To, Gateway: g, State: queue.Ready}}
	}
	if b.isGroup(t.To) && !ln.transmits() {
		return []queue.Delivery{{To: t.To, State: queue.Shadow, Due: b.clock.Age().Add(shadowFor)}}
	}
	if !b.isGroup(t.To) || ln.Kind != config.KindMail {
		return []queue.Delivery{{Link: t.Link, To: t.To, State: queue.Ready}}
	}
	var out []queue.Delivery
	for _, address := range ln.GroupTo {
		out = append(out, queue.Delivery{Link: t.Link, To: address, State: queue.Ready})
	}
	return out
}

// policy is what the operator allows in on a link; nil: the gateway's own messages.
func (b *Bridge) policy(ln *line) *rules.Policy {
	p := &rules.Policy{Own: b.own.String(), Block: b.control.blocked(), MaxBytes: maxText, Lifetime: b.cfg.Lifetime}
	if now, trusted := b.clock.Wall(); trusted {
		p.Now = now
	}
	if ln == nil {
		return p
	}
	p.Lifetime = max(p.Lifetime, ln.Lifetime)
	if ln.Mesh != nil {
		p.Stations, p.Unknown = ln.stations, rules.Unknown(ln.Mesh.Unknown)
		p.Gateways = b.gatewaysOf(ln)
	}
	return p
}

// maxText bounds a text before it is fitted to a medium, in bytes: more than any
// medium carries in all parts, and small enough for the store.
const maxText = 16 << 10

// out is what the rules need to know about the outgoing link of a message.
func (b *Bridge) out(ln *line, m *message.Message) *rules.Out {
	o := &rules.Out{Kind: ln.Kind, Own: b.own.String(), Home: b.cfg.Country}
	switch {
	case ln.APRS != nil:
		o.ThirdParty = ln.APRS.ThirdParty
	case ln.trunk == nil:
		o.Country = b.cfg.Country // the mesh is where the gateway is
	}
	if in := b.byName[m.Link]; in != nil && in != ln && in.Mesh != nil {
		o.Local = b.policy(in).Local(m)
	}
	return o
}

// mark returns what the gateway adds to each part of a text on a link (exercise
// marks, the filing time of a text that has waited, the writer's call sign if the
// frame goes out under the gateway's), and the text without its own marks.
func (b *Bridge) mark(ln *line, m *message.Message) (fit.Mark, string) {
	before, text, after := rules.ExerciseMarks(m)
	if m.Kind != message.Text {
		return fit.Mark{}, m.Text
	}
	if now, trusted := b.clock.Wall(); trusted && !m.Filed.IsZero() && now.Sub(m.Filed) > oldText {
		before += m.Filed.UTC().Format("021504Z") + " "
	}
	if ln.Kind == config.KindAPRS && !b.signsItself(m) {
		before += m.From + ": "
	}
	return fit.Mark{Before: before, After: after}, text
}

// oldText is the age from which a text carries its filing time.
const oldText = 30 * time.Minute

// signsItself tells whether a text goes out on APRS under its writer's call sign:
// only if this gateway heard the writer itself. Others go under the gateway's, with
// the writer's call sign in the text.
func (b *Bridge) signsItself(m *message.Message) bool {
	c, err := callsign.Parse(m.From)
	return err == nil && c.AX25() && m.TrunkID == ""
}
