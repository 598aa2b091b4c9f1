package rules

import (
	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// notAX25 refuses for APRS a call sign that its addresses cannot carry: longer
// than six characters, or with a portable mark.
var notAX25 = outRule{
	code:       link.CodeNoCallsign,
	regulation: "AX.25 address field, APRS Protocol Reference 1.0.1 chapter 3",
	broken: func(m *message.Message, out *Out) string {
		if out.Kind != "aprs" {
			return ""
		}
		for _, call := range [...]string{m.From, m.To} {
			c, err := callsign.ParseLong(call)
			if err == nil && !c.AX25() {
				return "APRS cannot carry the call sign " + c.String()
			}
		}
		return ""
	},
}
