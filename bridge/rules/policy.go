package rules

import (
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
)

// MaxHandOvers is how often gateways may hand a direct message on before it
// counts as wandering.
const MaxHandOvers = 8

// Policy is what the operator decided, for the link that a message came in on.
// It is a plain value: copy it to change it, and to set Now.
type Policy struct {
	Own string // this gateway's call sign, canonical

	// Gateways are the call signs of all gateways of the mesh that this link
	// serves. What comes from one of them is no new text.
	Gateways []string

	Block Patterns // who is refused

	Stations Stations // who is on this mesh; nil: there is no list
	Unknown  Unknown  // what those may who are not on it

	MaxBytes int           // of text, before it is fitted to a medium; 0: no limit
	Lifetime time.Duration // older texts are refused; 0: never
	Now      time.Time     // UTC; zero while the clock is not trusted: nothing expires here
}

// Unknown is what stations may who are not on a mesh's list.
type Unknown string

// The choices. Whatever is chosen, a valid call sign is needed.
const (
	UnknownPass   Unknown = "pass" // the same as listed ones; the zero value too
	UnknownLocal  Unknown = "local"
	UnknownRefuse Unknown = "refuse"
)

// Station is one line of a mesh's station list.
type Station struct {
	Call, Name           string // canonical; without SSID it stands for each
	Text, Mail, Position bool   // what it may send
}

// Stations is a station list by call sign. An entry for the exact station goes
// before one for its base call sign.
type Stations map[string]Station

// Find looks a station up.
func (s Stations) Find(call string) (Station, bool) {
	if st, ok := s[call]; ok {
		return st, true
	}
	st, ok := s[callsign.Base(call)]
	return st, ok
}

// Known tells whether the sender is on the list, or there is none. An
// emergency from others goes as priority (see Lowered).
func (p *Policy) Known(call string) bool {
	if p.Stations == nil {
		return true
	}
	_, ok := p.Stations.Find(call)
	return ok
}

// Local tells whether m may only go to stations on the mesh that it came from:
// its sender is not on a list that keeps others local.
func (p *Policy) Local(m *message.Message) bool {
	return p.Unknown == UnknownLocal && !p.own(m) && !message.IsMail(m.From) && !p.Known(m.From)
}

// own tells whether the gateway itself is speaking.
func (p *Policy) own(m *message.Message) bool { return m.Link == "" && m.From == p.Own }

// Out is one way out, for CheckOut.
type Out struct {
	Kind       string // "mesh", "aprs", "mail" or "trunk"
	Own        string // this gateway's call sign
	ThirdParty bool   // the operator allows texts of people without a call sign here
	Local      bool   // Policy.Local of the message, which came from elsewhere

	// Home is the gateway's country and Country the one where the link ends, both
	// ISO 3166-1 alpha-2. Empty: judged by the call signs.
	Home, Country string
}

// ThirdParty tells whether the writer has no call sign.
func ThirdParty(m *message.Message) bool {
	return m.ThirdParty || message.IsMail(m.From) && m.SenderCall == ""
}
