package rules

import (
	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// noCallsign wants a valid call sign of whoever speaks on radio. A mail writer
// has none of his own to show: he is licensed (SenderCall) or a third party.
var noCallsign = rule{
	code:       link.CodeNoCallsign,
	regulation: "ITU RR 25.9 and 19.68, 47 CFR 97.119(a), 97.219(d)",
	broken: func(m *message.Message, p *Policy) string {
		call := m.From
		if message.IsMail(call) {
			if m.SenderCall == "" {
				return ""
			}
			call = m.SenderCall
		}
		c, err := callsign.Parse(call)
		switch {
		case err != nil:
			return "call sign of sender: " + err.Error()
		case c.Base == callsign.Placeholder:
			return "N0CALL is a placeholder: set your own call sign"
		}
		return ""
	},
}

// placeholderOut is the last guard before a transmitter.
var placeholderOut = outRule{
	code:       link.CodeNoCallsign,
	regulation: "47 CFR 97.119(a)",
	broken: func(m *message.Message, out *Out) string {
		for _, call := range [...]string{out.Own, m.From, m.SenderCall} {
			if callsign.Same(call, callsign.Placeholder) {
				return "N0CALL is a placeholder and never transmits"
			}
		}
		return ""
	},
}
