package bridge

import (
	"fmt"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// Judge judges messages by the settings without a running gateway: what the
// rules say, and the parts that a text would go out in.
type Judge struct {
	cfg *config.Config
}

// NewJudge makes a judge. Settings that name no link do: the defaults hold then.
func NewJudge(cfg *config.Config) *Judge { return &Judge{cfg} }

// Vet judges one text for a link: a link's name from the settings, or a kind of
// link for one with the defaults. Without a link a mail address goes by mail,
// everything else to the first mesh.
func (j *Judge) Vet(from, to, text, name string) ([]string, *rules.Refusal, error) {
	l, err := j.link(name, to)
	if err != nil {
		return nil, nil, err
	}
	m := &message.Message{Kind: message.Text, From: canonical(from), To: canonical(to), Text: rules.Normalise(text), Link: "vet"}
	j.setSender(m, from)
	if ref := rules.Check(m, j.policy()); ref != nil {
		return nil, ref, nil
	}
	m.Precedence = rules.Precedence(m)
	out := &rules.Out{Kind: l.Kind, Own: j.cfg.Callsign, Home: j.cfg.Country, ThirdParty: l.APRS == nil || l.APRS.ThirdParty}
	if ref := rules.CheckOut(m, out); ref != nil {
		return nil, ref, nil
	}
	before, inner, after := rules.ExerciseMarks(m)
	if l.Kind == config.KindAPRS && message.IsMail(m.From) {
		before += m.From + ": "
	}
	parts, err := fit.Fit(inner, medium(l), fit.Mark{Before: before, After: after})
	if err != nil {
		return nil, &rules.Refusal{Code: "too-long", Why: err.Error()}, nil
	}
	return parts, nil, nil
}

// setSender finds out whether a mail writer is licensed, and keeps what is no
// call sign as it was written, for the rules to refuse.
func (j *Judge) setSender(m *message.Message, from string) {
	if !message.IsMail(from) {
		if _, err := callsign.Parse(from); err != nil {
			m.From = from
		}
		return
	}
	for _, l := range j.cfg.Links {
		if l.Mail == nil {
			continue
		}
		for _, a := range l.Mail.Allow {
			if p, err := rules.ParsePattern(a.Pattern); err == nil && a.Call != "" && p.Match(m.From) {
				m.SenderCall = a.Call
				return
			}
		}
	}
	m.ThirdParty = true
}

func (j *Judge) policy() *rules.Policy {
	p := &rules.Policy{Own: j.cfg.Callsign, MaxBytes: maxText}
	p.Block, _ = rules.ParsePatterns(j.cfg.Block) // 'check' complains of what cannot be read
	return p
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
