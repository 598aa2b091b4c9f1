package aprsis

import (
	"errors"
	"strings"
)

const (
	// MaxText is the most bytes in one message or bulletin (APRS Protocol
	// Reference 1.0.1, chapter 14).
	MaxText = 67

	maxID        = 5
	maxReplies   = 2 // characters of the id in a reply-ack
	maxGroup     = 5
	addresseeLen = 9
)

// Sort is what a message says.
type Sort uint8

// The sorts of messages.
const (
	Words  Sort = iota // text for the addressee
	Ack                // the sender has the text with this id
	Reject             // the sender does not take the text with this id
)

// Text is the information field of a message (APRS Protocol Reference 1.0.1,
// chapter 14) with the reply-acks of addendum 1.1.
type Text struct {
	To   string // addressee without padding: a call sign, a bulletin, anything
	Sort Sort
	Body string // Words only
	// ID is the message's own id (Words), or the id that is answered. Words
	// without an id are not to be acknowledged.
	ID string
	// FullID is the id as written, reply-ack part included: "MM}AA". An ack for
	// the message names this.
	FullID string
	// Replies is the AA of "{MM}AA": the sender also has the text that went to
	// it under this id.
	Replies string
}

// ParseText reads the information field of a message. A text that reads as an
// ack or reject is one, and never words.
func ParseText(info string) (Text, error) {
	if len(info) < 2+addresseeLen || info[0] != ':' || info[1+addresseeLen] != ':' {
		return Text{}, errors.New("not a message: it needs a colon, an addressee of 9 characters and a colon")
	}
	t := Text{To: strings.TrimRight(info[1:1+addresseeLen], " "), Body: info[2+addresseeLen:]}
	if t.To == "" {
		return Text{}, errors.New("message without an addressee")
	}
	if sort, id, ok := receipt(t.Body); ok {
		t.Sort, t.Body, t.FullID = sort, "", id
		t.ID, _, _ = strings.Cut(id, "}") // the rest echoes what we sent
		return t, nil
	}
	if i := strings.LastIndexByte(t.Body, '{'); i >= 0 {
		if id := strings.TrimRight(t.Body[i+1:], " "); isID(id) {
			t.Body, t.FullID = t.Body[:i], id
			t.ID, t.Replies, _ = strings.Cut(id, "}")
		}
	}
	return t, nil
}

// String gives the information field. It checks nothing: see encode.go.
func (t Text) String() string {
	head := ":" + t.To + strings.Repeat(" ", max(0, addresseeLen-len(t.To))) + ":" // bytes: fmt would count characters
	switch {
	case t.Sort == Ack:
		return head + "ack" + t.FullID
	case t.Sort == Reject:
		return head + "rej" + t.FullID
	case t.FullID != "":
		return head + t.Body + "{" + t.FullID
	}
	return head + t.Body
}

// receipt tells whether a body is an ack or reject, and of which id. Behind an id of
// any length there may be a reply-ack, by those who add one to all that they send.
func receipt(body string) (Sort, string, bool) {
	body = strings.TrimRight(body, " ")
	sort, id := Ack, ""
	switch {
	case strings.HasPrefix(body, "ack"):
		id = body[len("ack"):]
	case strings.HasPrefix(body, "rej"):
		sort, id = Reject, body[len("rej"):]
	}
	own, replies, _ := strings.Cut(id, "}")
	if !isID(own) || len(replies) > maxReplies || !alnum(replies) {
		return Words, "", false
	}
	return sort, id, true
}

// imitates tells whether a careless reader could take words for an ack or
// reject: in any case, without an id too.
func imitates(body string) bool {
	b := strings.ToLower(strings.TrimSpace(body))
	if b == "ack" || b == "rej" {
		return true
	}
	_, _, is := receipt(b)
	return is
}

// isQuery tells whether a text asks the software and not a person, as ?APRSP for
// a position. A station that does not know a query ignores it (chapter 15, where
// ?IGATE? and ?WX? ask everybody: people send them to one station, too).
func isQuery(body string) bool {
	for _, query := range [...]string{"?APRS", "?PING?", "?VER?", "?IGATE?", "?WX?"} {
		if strings.HasPrefix(body, query) {
			return true
		}
	}
	return false
}

// isDefinition tells whether a text gives names, units, equations or bits of somebody's
// telemetry (chapter 13): no person reads these.
func isDefinition(body string) bool {
	for _, kind := range [...]string{"PARM.", "UNIT.", "EQNS.", "BITS."} {
		if strings.HasPrefix(body, kind) {
			return true
		}
	}
	return false
}

// isID tells whether s is an id: 1 to 5 letters or digits, or the reply-ack
// forms MM} and MM}AA, which count as one id for those who don't know them.
func isID(s string) bool {
	own, replies, _ := strings.Cut(s, "}")
	return len(s) <= maxID && own != "" && alnum(own) && alnum(replies)
}

func alnum(s string) bool {
	for i := 0; i < len(s); i++ {
		if !isAlnum(s[i]) {
			return false
		}
	}
	return true
}

// Bulletin is an addressee that means everybody, or everybody in a group.
type Bulletin struct {
	ID    byte   // a digit for a bulletin, a capital for an announcement
	Group string // 1 to 5 characters; empty for everybody
}

// ParseBulletin reads the addressee of a bulletin or announcement.
func ParseBulletin(to string) (Bulletin, bool) {
	id, ok := strings.CutPrefix(to, "BLN")
	if !ok || id == "" || len(to) > addresseeLen {
		return Bulletin{}, false
	}
	b := Bulletin{ID: id[0], Group: id[1:]}
	digit, capital := b.ID >= '0' && b.ID <= '9', b.ID >= 'A' && b.ID <= 'Z'
	return b, digit || capital && b.Group == ""
}

// String gives the addressee without padding.
func (b Bulletin) String() string { return "BLN" + string(rune(b.ID)) + b.Group }

// forEverybody tells whether an addressee is no station: a bulletin, a weather
// bulletin or a general call. Nobody acknowledges those.
func forEverybody(to string) bool {
	_, bulletin := ParseBulletin(to)
	switch {
	case bulletin, strings.HasPrefix(to, "NWS-"):
		return true
	}
	return to == "ALL" || to == "QST" || to == "CQ"
}
