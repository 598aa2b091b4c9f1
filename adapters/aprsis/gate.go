package aprsis

import (
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
)

// heardFor is how long a station counts as heard under the gating rules: an
// hour is the published upper limit (APRS-IS, IGate details).
const heardFor = time.Hour

// Why a frame was dropped: the words that Host.Count gets.
const (
	dropMalformed   = "malformed"             // no valid frame or message
	dropTooLong     = "line-too-long"         // over MaxLine
	dropEcho        = "echo"                  // our own, or gated by us
	dropNoCallsign  = "no-callsign"           // sender or addressee is no call sign
	dropThirdParty  = "third-party"           // has been on the network before
	dropForbidden   = "not-to-be-gated"       // TCPXX, NOGATE or RFONLY in the path
	dropBulletin    = "bulletin"              // for everybody
	dropQuery       = "query"                 // asked of the software
	dropTelemetry   = "telemetry"             // definitions of telemetry
	dropNotHeard    = "addressee-not-heard"   // by radio here
	dropOnNetwork   = "addressee-on-network"  // it gets its messages itself
	dropSenderHeard = "sender-heard-by-radio" // here: then it came by radio, too
	dropNotAsked    = "not-asked-for"         // a report of a station that is not sought
)

// knowledge is what the gating rules ask about a station, by its canonical
// call sign.
type knowledge struct {
	own       string                 // the gateway
	byRadio   func(call string) bool // heard by radio here within heardFor
	online    func(call string) bool // itself on the network, seen within heardFor
	ours      func(call string) bool // receipts for it are for us to carry
	asked     func(call string) bool // any sign of life is wanted
	now       func() time.Time
	sawOnline func(call string) // notes that a station is itself on the network
}

// read turns a line into messages, or returns the reason why it drops it.
func (k knowledge) read(line string) ([]message.Message, string) {
	p, err := ParsePacket(line)
	if err != nil {
		return nil, dropMalformed
	}
	if p.Info[0] == '}' {
		// A gate that left the wrapping on: the real sender is inside (chapter 17),
		// unless the frame has been on the network before.
		if p, err = p.Inner(); err != nil {
			return nil, dropMalformed
		}
		if p.Info[0] == '}' || p.Passed("TCPIP", "TCPXX") {
			return nil, dropThirdParty
		}
	}
	source, err := callsign.Parse(p.Source)
	if err != nil || !source.AX25() {
		return nil, dropNoCallsign
	}
	from := source.String()
	if _, gate := p.Construct(); from == k.own || gate == k.own {
		return nil, dropEcho
	}
	if p.Passed("TCPIP", "TCPXX") {
		k.sawOnline(from)
	}
	if p.Info[0] == ':' {
		return k.readText(from, p)
	}
	return k.readReport(from, p)
}

// readText applies the rules for messages from the network to radio (APRS-IS,
// IGate details).
func (k knowledge) readText(from string, p Packet) ([]message.Message, string) {
	t, err := ParseText(p.Info)
	switch {
	case err != nil:
		return nil, dropMalformed
	case p.Passed("TCPXX", "NOGATE", "RFONLY"):
		return nil, dropForbidden
	case forEverybody(t.To):
		return nil, dropBulletin
	case t.Sort == Words && isQuery(t.Body):
		return nil, dropQuery
	case t.Sort == Words && isDefinition(t.Body):
		return nil, dropTelemetry
	}
	c, err := callsign.Parse(t.To)
	if err != nil {
		return nil, dropNoCallsign
	}
	to := c.String()
	if t.Sort != Words {
		if to != k.own && !k.ours(to) {
			return nil, dropNotHeard
		}
		return []message.Message{{Kind: message.Receipt, From: from, To: to, Acks: t.ID, Nak: t.Sort == Reject}}, ""
	}
	if why := k.mayPass(from, to); why != "" {
		return nil, why
	}
	in := []message.Message{{Kind: message.Text, From: from, To: to, Text: t.Body, OriginID: t.ID}}
	if t.Replies != "" {
		in = append(in, message.Message{Kind: message.Receipt, From: from, To: to, Acks: t.Replies})
	}
	return in, ""
}

func (k knowledge) mayPass(from, to string) string {
	switch {
	case to != k.own && !k.byRadio(to):
		return dropNotHeard
	case to != k.own && k.online(to):
		return dropOnNetwork
	case k.byRadio(from):
		return dropSenderHeard
	}
	return ""
}

// readReport makes a position of a position report, and a beacon of anything else, objects
// and unknown data types included.
func (k knowledge) readReport(from string, p Packet) ([]message.Message, string) {
	if !k.asked(from) {
		return nil, dropNotAsked
	}
	_, messaging := IsPosition(p.Info)
	m := message.Message{Kind: message.Beacon, From: from, Messaging: messaging}
	if w, err := ParsePosition(p.Info, k.now()); err == nil {
		m.Kind, m.Where = message.Position, &w
	}
	return []message.Message{m}, ""
}
