package rules

import (
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// notAllowed keeps to the mesh's station list: the operator answers for whom
// the gateway passes on.
var notAllowed = rule{
	code:       link.CodeNotAllowed,
	regulation: "47 CFR 97.219(d), 97.103(a)",
	broken: func(m *message.Message, p *Policy) string {
		if p.Stations == nil || p.own(m) || message.IsMail(m.From) {
			return ""
		}
		st, known := p.Stations.Find(m.From)
		switch {
		case !known && p.Unknown == UnknownRefuse:
			return "station is not on this gateway's list"
		case !known:
			return ""
		case m.Kind == message.Text && message.IsMail(m.To) && !st.Mail:
			return "this station may not send mail"
		case m.Kind == message.Text && !message.IsMail(m.To) && !st.Text:
			return "this station may not send texts"
		case m.Kind == message.Position && !st.Position:
			return "this station's positions are not passed on"
		}
		return ""
	},
}

// localOnly keeps an unlisted station's words on its own mesh.
var localOnly = outRule{
	code:       link.CodeNotAllowed,
	regulation: "47 CFR 97.219(d)",
	broken: func(m *message.Message, out *Out) string {
		if out.Local {
			return "unlisted stations stay on the mesh"
		}
		return ""
	},
}
