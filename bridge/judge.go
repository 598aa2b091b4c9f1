package bridge

import (
	"fmt"
	"slices"
	"strings"

	"posthouse/bridge/airtime"
	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
)

// Judge judges messages by the settings without a running gateway: what the
// rules say, and the parts that a text would go out in. What depends on what
// went before it cannot know: duplicates, the sender's rate and fourth emergency
// in ten minutes, who was heard where, ages, hand-overs and signatures.
type Judge struct {
	cfg *config.Config
}

// NewJudge makes a judge. Settings that name no link do: the defaults hold then.
func NewJudge(cfg *config.Config) *Judge { return &Judge{cfg} }

// Judgement is what becomes of one text.
type Judgement struct {
	Refusal *rules.Refusal // nil: it passes
	Note    string         // what a writer would like to know of one that passes
	Parts   []string       // that it goes out in
}

// Vet judges one text for a link: a link's name from the settings, or a kind of
// link for one with the defaults. Without a link it takes its way by the
// settings: a mail address goes by mail, what no route leads elsewhere to the
// first mesh. A radio sender speaks on the mesh that lists him, else on the first.
func (j *Judge) Vet(from, to, text, name string) (Judgement, error) {
	l, err := j.link(name, to)
	if err != nil {
		return Judgement{}, err
	}
	m := &message.Message{Kind: message.Text, From: canonical(from), To: canonical(to), Text: rules.Normalise(text), Link: "vet"}
	in := j.speaksOn(m, from)
	policy := j.policy(in)
	if ref := rules.Check(m, policy); ref != nil {
		return Judgement{Refusal: ref}, nil
	}
	way, ref := j.way(m, in, name)
	if ref == nil {
		ref = j.allowed(m)
	}
	if ref != nil {
		return Judgement{Refusal: ref}, nil
	}
	if way != nil {
		l = *way
	}
	note := j.setPrecedence(m, policy)
	j.setExercise(m)
	if ref := rules.CheckOut(m, j.out(m, l, policy)); ref != nil {
		return Judgement{Refusal: ref}, nil
	}
	parts, ref := j.parts(m, l)
	return Judgement{Refusal: ref, Note: note, Parts: parts}, nil
}

// speaksOn completes the sender, and finds the mesh that he speaks on: nil for a
// mail writer, and where no mesh is set up.
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

// licence gives the call sign that the allow list of a mail link has for a mail
// writer; empty: none.
func (j *Judge) licence(from string) string {
	for a := range j.allowList {
		if a.Call != "" && allows(a, from) {
			return a.Call
		}
	}
	return ""
}

// allowed wants mail writers to be on an allow list, if mail can come in at all.
func (j *Judge) allowed(m *message.Message) *rules.Refusal {
	receives := slices.ContainsFunc(j.cfg.Links, func(l config.Link) bool { return l.Mail != nil && l.MayReceive() && l.Mail.Listen != "" })
	if !message.IsMail(m.From) || !receives {
		return nil
	}
	for a := range j.allowList {
		if allows(a, m.From) {
			return nil
		}
	}
	return &rules.Refusal{Code: link.CodeNotAllowed, Why: "not on the allow list: may only answer a station", Regulation: "47 CFR 97.219(d)"}
}

// allowList yields the allow lists of all mail links.
func (j *Judge) allowList(yield func(config.Allow) bool) {
	for _, l := range j.cfg.Links {
		if l.Mail == nil {
			continue
		}
		for _, a := range l.Mail.Allow {
			if !yield(a) {
				return
			}
		}
	}
}

func allows(a config.Allow, from string) bool {
	p, err := rules.ParsePattern(a.Pattern)
	return err == nil && p.Match(from)
}

func (j *Judge) policy(in *config.Link) *rules.Policy {
	p := &rules.Policy{Own: j.own(), MaxBytes: maxText}
	p.Block, _ = rules.ParsePatterns(j.cfg.Block) // 'check' complains of what cannot be read
	if in != nil {
		p.Stations, p.Unknown = stationList(*in), rules.Unknown(in.Mesh.Unknown)
	}
	return p
}

func (j *Judge) own() string { return canonical(j.cfg.Callsign) }

// way finds whom the text is for, and the link of a fixed route. Without links
// there is nothing to go by, and a link that was asked for is taken at its word.
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

// setPrecedence lowers what a sender may not claim, and says so.
func (j *Judge) setPrecedence(m *message.Message, p *rules.Policy) (note string) {
	m.Precedence = rules.Precedence(m)
	unlicensed := message.IsMail(m.From) && m.SenderCall == ""
	if m.Precedence != message.Emergency || !unlicensed && p.Known(m.From) {
		return ""
	}
	m.Claimed, m.Precedence = message.Emergency, message.Priority
	if unlicensed {
		return "goes as priority: an emergency by mail needs a call sign on the allow list"
	}
	return "goes as priority: the station is not on the list"
}

// setExercise marks the text as the settings have it.
func (j *Judge) setExercise(m *message.Message) {
	if j.cfg.Exercise == "" || rules.Real(m.Text) {
		return
	}
	players, err := rules.ParsePatterns(j.cfg.ExerciseStations)
	if err == nil && (len(players) == 0 || players.Match(m.From)) {
		m.Exercise = j.cfg.Exercise
	}
}

func (j *Judge) out(m *message.Message, l config.Link, p *rules.Policy) *rules.Out {
	o := &rules.Out{Kind: l.Kind, Own: j.own(), Home: j.cfg.Country, Local: p.Local(m)}
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
		return nil, &rules.Refusal{Code: link.CodeTooLong, Why: "one frame of it costs more airtime than there is"}
	}
	return parts, nil
}

// tooDear tells whether one frame costs more airtime than an hour has for it.
func tooDear(l config.Link, frame string) bool {
	if l.Mesh == nil || l.Mesh.SF == 0 {
		return false
	}
	cr, err := airtime.ParseCR(l.Mesh.CR)
	if err != nil {
		return false // 'check' complains of it
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

// medium is what one frame of a link's medium holds.
func medium(l config.Link) fit.Medium {
	switch {
	case l.Mesh != nil:
		return fit.Medium{MaxBytes: l.Mesh.MaxBytes, MaxParts: l.Mesh.MaxParts, ASCII: l.Mesh.Charset == "ascii"}
	case l.APRS != nil:
		return fit.APRS(l.APRS.MaxParts)
	}
	return fit.Medium{}
}
