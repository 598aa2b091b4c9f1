package rules

import (
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// blocked is the operator's stop for one station or writer, both ways: nothing
// from them is taken, and no text for them. The gateway's own notices to them
// pass, since they say why.
var blocked = rule{
	code:       link.CodeBlocked,
	regulation: "47 CFR 97.105(a), 97.219(c)",
	broken: func(m *message.Message, p *Policy) string {
		switch {
		case len(p.Block) == 0 || p.own(m) && m.Kind != message.Text:
			return ""
		case p.Block.Match(m.From), m.SenderCall != "" && p.Block.Match(m.SenderCall):
			return "sender is blocked by the operator"
		case m.Kind == message.Text && p.Block.Match(m.To):
			return "addressee is blocked by the operator"
		}
		return ""
	},
}
