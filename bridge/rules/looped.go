package rules

import (
	"slices"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// looped keeps a text from going round. What another gateway of this mesh has
// transmitted (it is named in via, or is the sender) is no new text; a group
// text never passes the same gateway twice; a direct one may come back, since
// stations roam, but is bounded by its hand-overs.
var looped = rule{
	code:       link.CodeLooped,
	regulation: "good practice, 47 CFR 97.101(a)",
	broken: func(m *message.Message, p *Policy) string {
		switch {
		case p.own(m):
			return ""
		case m.TrunkID != "": // handed over by the gateway in via, not overheard
		case m.Via != "":
			return "already transmitted by gateway " + ascii(m.Via)
		case m.Kind == message.Text && (m.From == p.Own || slices.Contains(p.Gateways, m.From)):
			return "comes from a gateway, not from a station"
		}
		switch {
		case len(m.Hops) > MaxHandOvers:
			return "handed on more than 8 times"
		case p.Own != "" && isGroup(m.To) && slices.Contains(m.Hops, p.Own):
			return "has passed this gateway before"
		}
		return ""
	},
}

// isGroup tells whether an address is neither a call sign nor a mail address.
func isGroup(to string) bool {
	if to == "" || message.IsMail(to) {
		return false
	}
	_, err := callsign.ParseLong(to)
	return err != nil
}
