package bridge

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/airtime"
	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
)

// Judge judges messages by the settings, without a running gateway: what the rules
// say, and in which parts a text would go out. What came before a message it takes
// from the Question, or counts itself after InTurn. It cannot know who was heard
// where, signatures, and the room on the disk.
type Judge struct {
	cfg *config.Config

	// Block are patterns that are refused besides those of the settings, such as a
	// running gateway's. Invalid ones are ignored.
	Block []string

	// Exercise is the name of the exercise that is on.
	Exercise string

	turns *turns // nil: each question is independent
}

// NewJudge makes a judge. Settings without a link will do: then the defaults apply.
func NewJudge(cfg *config.Config) *Judge { return &Judge{cfg: cfg, Exercise: cfg.Exercise} }

// Question is one text to be judged, and what a gateway would know about it.
type Question struct {
	From, To, Text string
	Subject        string // of a mail

	Link string // it is to go out on: a name from the settings or a kind of link; empty: its way by the settings
	In   string // it came in on; empty: the mesh that lists its sender, else the first

	ID         string // the station's own
	Precedence message.Precedence
	Encrypted  bool          // the mesh says so
	Via        string        // the gateway that has transmitted or handed it over
	Hops       []string      // the gateways that it has passed
	Age        time.Duration // since it was written
	Known      bool          // the same text was here lately
	Sent       int           // texts that the sender has handed in within the time of the rate
	Alarms     int           // and emergencies within ten minutes
	After      time.Duration // since the question before; counts where they are asked in turn
}

// Judgement is what would become of one text.
type Judgement struct {
	Refusal    *rules.Refusal // nil: it passes
	Note       string         // what a writer would like to know of one that passes
	Parts      []string       // that it goes out in
	Link       string         // that it takes: its name, or its kind where none is set up
	To         string         // whom it is for, after aliases and addresses in the text
	Precedence message.Precedence
	Claimed    message.Precedence // what it asked for, when that was lowered
	Exercise   bool               // it is marked
	ThirdParty bool               // its writer has no call sign
	Station    *rules.Station     // its sender on the mesh's list; nil: not on one
}

// Vet judges one text. Without a link it is routed by the settings: a mail address
// goes by mail, and what has no route to the first mesh.
func (j *Judge) Vet(q Question) (Judgement, error) {
	l, err := j.link(q.Link, q.To)
	if err != nil {
		return Judgement{}, err
	}
	m := &message.Message{Kind: message.Text, From: canonical(q.From), To: canonical(q.To), Text: rules.Normalise(q.Text), Subject: rules.Normalise(q.Subject), Link: "vet",
		OriginID: q.ID, Precedence: q.Precedence, Encrypted: q.Encrypted, Via: canonical(q.Via), Hops: q.Hops}
	in, err := j.comesIn(m, q)
	if err != nil {
		return Judgement{}, err
	}
	policy, before := j.policy(in, m, q.Age), j.before(m, q)
	v := Judgement{ThirdParty: rules.ThirdParty(m), Station: listed(policy, m.From)}
	if v.Refusal = rules.Check(m, policy); v.Refusal != nil {
		return v, nil
	}
	way, ref := j.way(m, in, q.Link)
	if ref == nil {
		ref = j.allowed(m)
	}
	if v.Refusal = ref; ref != nil {
		return v, nil
	}
	if way != nil {
		l = *way
	}
	v.Link, v.To = cmp.Or(l.Name, l.Kind), m.To
	v.Note = j.setPrecedence(m, policy, before)
	j.setExercise(m)
	v.Precedence, v.Claimed, v.Exercise = m.Precedence, m.Claimed, rules.Drill(m)
	if v.Refusal = rules.CheckOut(m, j.out(m, in, l, policy)); v.Refusal != nil {
		return v, nil
	}
	if v.Parts, v.Refusal = j.parts(m, l); v.Refusal == nil {
		v.Refusal = before.refusal(m)
	}
	if v.Refusal != nil {
		v.Parts = nil
	}
	return v, nil
}

func listed(p *rules.Policy, call string) *rules.Station {
	if s, ok := p.Stations.Find(call); ok {
		return &s
	}
	return nil
}

// comesIn finds the mesh that a text came in on: the one in the question, or the
// sender's.
func (j *Judge) comesIn(m *message.Message, q Question) (*config.Link, error) {
	in := j.speaksOn(m, q.From)
	if q.In == "" {
		return in, nil
	}
	l := j.cfg.Links.Find(q.In)
	if l == nil {
		return nil, fmt.Errorf("there is no link %q that a text could come in on", q.In)
	}
	if l.Trunk != nil && q.Via != "" {
		m.TrunkID, m.Handed = "vet", true // handed over, not overheard
	}
	return l, nil
}

// speaksOn completes the sender, and finds the sender's mesh: nil for a mail writer,
// and if there is no mesh.
func (j *Judge) speaksOn(m *message.Message, from string) *config.Link {
	if message.IsMail(from) {
		m.SenderCall = j.licence(m.From)
		m.ThirdParty = m.SenderCall == ""
		return nil
	}
	var first *config.Link
	for i := range j.cfg.Links {
		l := &j.cfg.Links[i]
		if l.Mesh == nil || !l.MayReceive() {
			continue
		}
		if first == nil {
			first = l
		}
		for _, s := range l.Mesh.Stations {
			if s.Call == "" || !strings.EqualFold(s.Node, from) && s.Call != m.From && s.Call != callsign.Base(m.From) {
				continue
			}
			if strings.EqualFold(s.Node, from) {
				m.From = s.Call
			}
			return l
		}
	}
	if _, err := callsign.Parse(from); err != nil {
		m.From = from // as it was written, for the rules to refuse
	}
	return first
}

// licence returns the call sign that a mail link's allow list has for a mail writer;
// empty: none.
func (j *Judge) licence(from string) string {
	for a := range allowList(j.cfg) {
		if a.Call != "" && allows(a, from) {
			return a.Call
		}
	}
	return ""
}

// allowed refuses mail writers who are on no allow list, if mail can come in at all.
func (j *Judge) allowed(m *message.Message) *rules.Refusal {
	receives := slices.ContainsFunc(j.cfg.Links, func(l config.Link) bool { return l.Mail != nil && l.MayReceive() && l.Mail.Listen != "" })
	if !message.IsMail(m.From) || !receives {
		return nil
	}
	if isListed(j.cfg, m.From) {
		return nil
	}
	return &rules.Refusal{Code: link.CodeNotAllowed, Why: "not on the allow list: may only answer a station", Regulation: "47 CFR 97.219(d)"}
}

func (j *Judge) policy(in *config.Link, m *message.Message, age time.Duration) *rules.Policy {
	p := &rules.Policy{Own: j.own(), MaxBytes: maxText, Lifetime: j.cfg.Lifetime, Now: time.Now()}
	m.Filed = p.Now.Add(-age)
	p.Block, _ = rules.ParsePatterns(j.cfg.Block) // 'check' reports invalid patterns
	for _, s := range j.Block {
		if b, err := rules.ParsePattern(s); err == nil {
			p.Block = append(p.Block, b)
		}
	}
	if in == nil {
		return p
	}
	p.Lifetime = max(p.Lifetime, in.Lifetime)
	if in.Mesh != nil {
		p.Stations, p.Unknown = stationList(*in), rules.Unknown(in.Mesh.Unknown)
	}
	return p
}

func (j *Judge) own() string { return canonical(j.cfg.Callsign) }

// way finds the addressee of the text, and the link of a fixed route. If the settings
// have no links, it uses the one that was asked for.
func (j *Judge) way(m *message.Message, in *config.Link, asked string) (*config.Link, *rules.Refusal) {
	table, err := routes(j.cfg)
	if err != nil || len(j.cfg.Links) == 0 {
		return nil, nil
	}
	if to, ok := table.Aliases[strings.ToUpper(m.To)]; ok {
		m.Written, m.To = m.To, to
	}
	if own := j.own(); m.To == route.Post || m.To == own || m.To == callsign.Base(own) {
		to, rest, ok := table.Address(m.Text)
		switch {
		case !ok:
			return nil, &rules.Refusal{Code: link.CodeNoRoute, Why: "begin with a call sign or mail address"}
		case rest == "":
			return nil, &rules.Refusal{Code: link.CodeNotText, Why: "nothing after the address"}
		}
		m.Written, m.To, m.Text = m.To, to, rest
	}
	if asked != "" {
		return nil, nil
	}
	q := route.Query{From: m.From, To: m.To, Asked: m.Written != ""}
	if in != nil {
		q.In = in.Name
	} else if message.IsMail(m.From) {
		q.In = j.firstOf(config.KindMail)
	}
	d := table.Decide(q)
	if _, group := table.Group(m.To); len(d.Targets) > 0 && !group {
		return j.cfg.Links.Find(d.Targets[0].Link), nil
	}
	return nil, d.Refusal
}

func (j *Judge) firstOf(kind string) string {
	for _, l := range j.cfg.Links {
		if l.Kind == kind {
			return l.Name
		}
	}
	return ""
}

// setPrecedence lowers an emergency that the sender may not declare, and says so.
func (j *Judge) setPrecedence(m *message.Message, p *rules.Policy, before history) (note string) {
	m.Precedence = rules.Precedence(m)
	switch {
	case m.Precedence != message.Emergency:
		return ""
	case isAnswerOnly(j.cfg, m):
		note = "goes as priority: its writer is not on the allow list"
	case !p.Known(m.From):
		note = "goes as priority: the station is not on the list"
	case before.alarm(m):
		note = "goes as priority: more than three emergencies in ten minutes"
	default:
		return ""
	}
	m.Claimed, m.Precedence = message.Emergency, message.Priority
	return note
}

// setExercise marks the text as the settings say.
func (j *Judge) setExercise(m *message.Message) {
	if j.Exercise == "" || rules.Real(m.Text) {
		return
	}
	players, err := rules.ParsePatterns(j.cfg.ExerciseStations)
	if err == nil && (len(players) == 0 || players.Match(m.From)) {
		m.Exercise = j.Exercise
	}
}

func (j *Judge) out(m *message.Message, in *config.Link, l config.Link, p *rules.Policy) *rules.Out {
	o := &rules.Out{Kind: l.Kind, Own: j.own(), Home: j.cfg.Country, Local: p.Local(m) && in.Name != l.Name}
	switch {
	case l.APRS != nil:
		o.ThirdParty = l.APRS.ThirdParty
	case l.Trunk == nil: // the mesh is where the gateway is
		o.Country = j.cfg.Country
		o.ThirdParty = j.cfg.Country == "" && j.cfg.Callsign == "" // and that is nowhere
	}
	return o
}

// parts are the frames of a text on a link, with the marks that the gateway adds.
func (j *Judge) parts(m *message.Message, l config.Link) ([]string, *rules.Refusal) {
	before, inner, after := rules.ExerciseMarks(m)
	if c, err := callsign.Parse(m.From); l.Kind == config.KindAPRS && (err != nil || !c.AX25()) {
		before += m.From + ": "
	}
	parts, err := fit.Fit(inner, medium(l), fit.Mark{Before: before, After: after})
	if err != nil {
		return nil, &rules.Refusal{Code: link.CodeTooLong, Why: err.Error()}
	}
	if m.Precedence != message.Emergency && tooDear(l, parts[0]) {
		return nil, &rules.Refusal{Code: link.CodeTooLong, Why: "one frame needs more airtime than the limit"}
	}
	return parts, nil
}

// tooDear tells whether one frame costs more airtime than an hour allows.
func tooDear(l config.Link, frame string) bool {
	if l.Mesh == nil || l.Mesh.SF == 0 {
		return false
	}
	cr, err := airtime.ParseCR(l.Mesh.CR)
	if err != nil {
		return false // 'check' reports it
	}
	radio := airtime.Params{SF: l.Mesh.SF, BW: l.Mesh.BW, CR: cr, Preamble: l.Mesh.Preamble}
	budget, err := airtime.New(airtime.Limits{Airtime: l.Mesh.Airtime, Reserve: l.Mesh.Reserve, Duty: l.Mesh.Duty, Repeats: l.Mesh.Repeats})
	if err != nil || radio.Validate() != nil {
		return false
	}
	return budget.TooLong(radio.TimeOnAir(min(len(frame)+l.Mesh.OverheadBytes, airtime.MaxPayload)))
}

// link finds the link that a text would take.
func (j *Judge) link(name, to string) (config.Link, error) {
	kind := name
	switch {
	case name == "" && message.IsMail(to):
		kind = config.KindMail
	case name == "":
		kind = config.KindMesh
	}
	for _, l := range j.cfg.Links {
		if l.Name == name || name == "" && l.Kind == kind {
			return l, nil
		}
	}
	cfg, _ := config.Load([]string{config.Prefix + "LINKS=x", config.Prefix + "X_KIND=" + kind}, config.Hooks{})
	if len(cfg.Links) == 1 && cfg.Links[0].Kind == kind {
		return cfg.Links[0], nil
	}
	return config.Link{}, fmt.Errorf("there is no link or kind of link %q; the kinds are %s", name, strings.Join(config.Kinds, ", "))
}

// medium is what one frame on a link can hold.
func medium(l config.Link) fit.Medium {
	switch {
	case l.Mesh != nil:
		return fit.Medium{MaxBytes: l.Mesh.MaxBytes, MaxParts: l.Mesh.MaxParts, ASCII: l.Mesh.Charset == "ascii"}
	case l.APRS != nil:
		return fit.APRS(l.APRS.MaxParts)
	}
	return fit.Medium{}
}
