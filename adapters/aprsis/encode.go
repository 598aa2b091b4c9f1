package aprsis

import (
	"errors"
	"fmt"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// Gated tells whether a message goes out under its writer's own call sign, as gated from
// radio: for writers with a call sign that AX.25 can carry, and for acknowledgements, but
// not for a text that another gateway handed over, which this one has not heard. Otherwise,
// and for notices, the frame is the gateway's own, and the text has to name the writer,
// which Encode does not add. own is the gateway's call sign.
func Gated(m message.Message, own string) bool {
	handedOver := m.Kind == message.Text && m.TrunkID != ""
	return m.Kind != message.Notice && !handedOver && m.From != own && isStation(m.From)
}

// isStation tells whether an address is a call sign, in the one form that goes on
// the air.
func isStation(call string) bool {
	c, err := callsign.Parse(call)
	return err == nil && c.AX25() && c.String() == call
}

// Encode returns the APRS frame for a link.Frame. own is the gateway's call sign; bulletin,
// 0 to 9, numbers a group text: at its readers it replaces the last one of that number. The
// error is permanent.
//
// Words that a reader could take for an ack or reject ("ack12") go out in
// quotation marks: "ack12" said by a person must not end somebody's message.
func Encode(f link.Frame, own string, bulletin int) (Packet, error) {
	p := Packet{Source: own, Dest: Dest, Path: []string{"TCPIP*"}}
	if Gated(f.Message, own) {
		p.Source, p.Path = f.Message.From, []string{"qAR", own}
	}
	info, err := encodeInfo(f, own, bulletin)
	if err != nil {
		return Packet{}, err
	}
	p.Info = info
	return p, nil
}

func encodeInfo(f link.Frame, own string, bulletin int) (string, error) {
	switch f.Message.Kind {
	case message.Text, message.Notice:
		return encodeWords(f, bulletin)
	case message.Receipt:
		return encodeReceipt(f.Message, own)
	case message.Position:
		return encodePosition(f.Message, own)
	}
	return "", link.Permanent(link.CodeNotAllowed, fmt.Errorf("APRS carries no message of kind %q", f.Message.Kind))
}

func encodeWords(f link.Frame, bulletin int) (string, error) {
	to, group, err := addressee(f.Message.To, bulletin)
	if err != nil {
		return "", err
	}
	t := Text{To: to, Body: f.Text, FullID: f.ID}
	switch {
	case len(t.Body) > MaxText:
		return "", link.Permanent(link.CodeTooLong, fmt.Errorf("text of %d bytes, an APRS message holds %d", len(t.Body), MaxText))
	case !plain(t.Body):
		return "", link.Permanent(link.CodeNotText, errors.New("an APRS message holds printable ASCII without { | ~ only"))
	case group || f.Message.Kind == message.Notice:
		t.FullID = "" // nobody acknowledges these
	case t.FullID != "" && !isID(t.FullID):
		return "", link.Permanent(link.CodeNotText, fmt.Errorf("frame id %q is not 1 to 5 letters or digits", t.FullID))
	}
	if imitates(t.Body) {
		t.Body = `"` + strings.TrimSpace(t.Body) + `"`
	}
	return t.String(), nil
}

// addressee gives the field for a station or a group.
func addressee(to string, bulletin int) (field string, group bool, err error) {
	if message.IsMail(to) {
		return "", false, link.Permanent(link.CodeNoRoute, errors.New("APRS carries no mail addresses"))
	}
	if c, err := callsign.Parse(to); err == nil {
		if !c.AX25() {
			return "", false, link.Permanent(link.CodeNotAllowed, fmt.Errorf("%s does not fit into an AX.25 address", to))
		}
		return c.String(), false, nil
	}
	if len(to) == 0 || len(to) > maxGroup || !alnum(to) {
		return "", false, link.Permanent(link.CodeNotAllowed, fmt.Errorf("group %q does not fit into a bulletin: 1 to %d letters or digits", to, maxGroup))
	}
	return Bulletin{ID: '0' + byte(bulletin%10), Group: strings.ToUpper(to)}.String(), true, nil
}

func encodeReceipt(m message.Message, own string) (string, error) {
	if m.From != own && !isStation(m.From) {
		return "", link.Permanent(link.CodeNoCallsign, fmt.Errorf("%s can't acknowledge on APRS: not a call sign that AX.25 carries", m.From))
	}
	if !isStation(m.To) {
		return "", link.Permanent(link.CodeNotAllowed, fmt.Errorf("%s can't be acknowledged on APRS: not a call sign that AX.25 carries", m.To))
	}
	if !isID(m.Acks) {
		return "", link.Permanent(link.CodeNotText, fmt.Errorf("%q is no id of an APRS message", m.Acks))
	}
	t := Text{To: m.To, Sort: Ack, FullID: m.Acks}
	if m.Nak {
		t.Sort = Reject
	}
	return t.String(), nil
}

func encodePosition(m message.Message, own string) (string, error) {
	switch {
	case m.From != own && !Gated(m, own):
		return "", link.Permanent(link.CodeNotAllowed, fmt.Errorf("the position of %s: not a call sign that AX.25 carries", m.From))
	case m.Where == nil:
		return "", link.Permanent(link.CodeNotText, errors.New("a position without a place"))
	}
	info, err := FormatPosition(*m.Where, m.Messaging)
	if err != nil {
		return "", link.Permanent(link.CodeNotText, fmt.Errorf("position of %s: %w", m.From, err))
	}
	return info, nil
}

// plain tells whether a message can hold s (chapter 14).
func plain(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] > '~' || s[i] == '{' || s[i] == '|' || s[i] == '~' {
			return false
		}
	}
	return true
}
