package broker

import (
	"encoding/json"
	"errors"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
)

// Why a packet is dropped, for Host.Count.
const (
	dropTooLarge   dropped = "payload-too-large"
	dropEmpty      dropped = "empty"
	dropRetained   dropped = "retained"
	dropOverflow   dropped = "overflow"
	dropOtherTopic dropped = "other-topic"
	dropNotUTF8    dropped = "not-utf8"
	dropNotJSON    dropped = "not-json"
	dropTooDeep    dropped = "too-deep"
	dropTwice      dropped = "member-twice"
	dropWrongType  dropped = "wrong-type"
	dropBadValue   dropped = "bad-value"
	dropNoFrom     dropped = "no-from"
	dropPosition   dropped = "bad-position"
	dropBadLogin   dropped = "bad-login"
)

const (
	maxID      = 64  // bytes; a UUID has 36
	maxAddress = 254 // bytes of a mail address (RFC 5321 section 4.5.3.1.3, less the angle brackets)
)

// decode reads what a mesh published. Nothing is guessed: a packet is dropped if a member
// that decides who says what to whom is of the wrong type. Readings (time, altitude, snr,
// rssi) that make no sense are ignored, so that no text is lost for a bad sensor.
func (c *codec) decode(p packet) (message.Message, error) {
	switch {
	case p.retained:
		return message.Message{}, dropRetained
	case len(p.payload) > MaxPayload:
		return message.Message{}, dropTooLarge
	case len(p.payload) == 0:
		return message.Message{}, dropEmpty
	}
	tree, err := readJSON(p.payload)
	if err != nil {
		return message.Message{}, err
	}
	r := &reader{tree: tree}
	m := c.read(r)
	if r.err != nil {
		return message.Message{}, r.err
	}
	return m, nil
}

// decodeAll returns the messages in order, and why the other packets were dropped.
func (c *codec) decodeAll(in []packet) (messages []message.Message, bad []dropped) {
	messages = make([]message.Message, 0, len(in))
	for _, p := range in {
		m, err := c.decode(p)
		if why, ok := errors.AsType[dropped](err); ok {
			bad = append(bad, why)
			continue
		}
		if m.Kind != message.Receipt && m.Acks != "" {
			receipt := message.Message{Kind: message.Receipt, Link: m.Link, From: m.From, To: m.To, Via: m.Via, Acks: m.Acks, Nak: m.Nak}
			m.Acks, m.Nak = "", false
			messages = append(messages, m, receipt)
			continue
		}
		messages = append(messages, m)
	}
	return messages, bad
}

// read decides what a packet is: a receipt if it has an ack or nak (and a text besides, if it
// has one under an id of its own), a position if it has lat and lon and no text with an
// addressee, a text if it has text or was encrypted, else a beacon.
func (c *codec) read(r *reader) message.Message {
	at := c.at
	m := message.Message{
		Link: c.name,
		From: c.address(r.word(at.from, maxAddress)),
		To:   c.address(r.word(at.to, maxAddress)),
		Via:  c.address(r.word(at.via, maxAddress)),
		SNR:  r.reading(at.snr), RSSI: r.reading(at.rssi),
		Encrypted: r.flag(at.encrypted),
		Filed:     r.time(at.time),
	}
	if m.From == "" {
		r.fail(r.noSender())
	}
	ack, nak := r.word(at.ack, maxID), r.word(at.nak, maxID)
	m.Acks, m.Nak = ack+nak, nak != ""
	text, spoken := r.text(at.text)
	switch {
	case ack != "" && nak != "":
		r.fail(dropBadValue)
	case m.Acks != "" && (text == "" || r.word(at.id, maxID) == ""):
		m.Kind = message.Receipt
	case r.has(at.lat, at.lon) && (m.To == "" || !spoken):
		c.place(r, &m, text)
	case spoken || m.Encrypted:
		m.Kind, m.Text = message.Text, text
		m.OriginID = r.word(at.id, maxID)
		m.Precedence = r.precedence(at.precedence)
	default:
		m.Kind = message.Beacon
	}
	return m
}

// place makes m a position, or a beacon for 0/0, which a receiver without a fix reports.
func (c *codec) place(r *reader, m *message.Message, comment string) {
	lat, lon := r.degrees(c.at.lat, 90), r.degrees(c.at.lon, 180)
	if lat == 0 && lon == 0 {
		m.Kind = message.Beacon
		return
	}
	m.Kind = message.Position
	m.Where = &message.Where{Lat: lat, Lon: lon, Alt: r.reading(c.at.alt), Time: m.Filed, Comment: comment}
}

// address turns a node id into the call sign on the station list, and a call sign into its
// canonical form. Anything else stays as it is, for the rules to judge.
func (c *codec) address(s string) string {
	if call, ok := c.stations[s]; ok {
		s = call
	}
	return canonical(s)
}

func canonical(s string) string {
	if call, err := callsign.Parse(s); err == nil {
		return call.String()
	}
	return s
}

// reader reads members of a tree and remembers the first error. null counts as absent.
type reader struct {
	tree any
	err  error
}

func (r *reader) fail(why dropped) {
	if r.err == nil {
		r.err = why
	}
}

// noSender is why a packet has no sender: it is no object, or the member is not there.
func (r *reader) noSender() dropped {
	if _, object := r.tree.(map[string]any); !object {
		return dropWrongType
	}
	return dropNoFrom
}

// has tells whether any of the members is there.
func (r *reader) has(ps ...pointer) bool {
	for _, p := range ps {
		if p.in(r.tree) != nil {
			return true
		}
	}
	return false
}

// word reads an id or address: a string or a whole number, since meshes differ.
func (r *reader) word(p pointer, most int) string {
	var s string
	switch v := p.in(r.tree).(type) {
	case nil:
	case string:
		s = strings.Trim(v, " ")
	case json.Number:
		if s = v.String(); strings.ContainsAny(s, ".eE") {
			s = r.whole(v)
		}
	default:
		r.fail(dropWrongType)
	}
	if len(s) > most || strings.ContainsFunc(s, unicode.IsControl) {
		r.fail(dropBadValue)
	}
	return s
}

// whole writes 4711.0 and 1e3 as 4711 and 1000 (RFC 8259 section 6 allows all four). Whoever
// spells a whole number like that counts in floating point, so a float64 holds it.
func (r *reader) whole(n json.Number) string {
	f, err := n.Float64()
	if err != nil || f != math.Trunc(f) {
		r.fail(dropWrongType)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

func (r *reader) text(p pointer) (s string, there bool) {
	switch v := p.in(r.tree).(type) {
	case nil:
	case string:
		return v, true
	default:
		r.fail(dropWrongType)
	}
	return "", false
}

// flag reads a bool, or a number, where 0 is false.
func (r *reader) flag(p pointer) bool {
	switch v := p.in(r.tree).(type) {
	case nil:
	case bool:
		return v
	case json.Number:
		f, err := v.Float64()
		return err != nil || f != 0
	default:
		r.fail(dropWrongType)
	}
	return false
}

// degrees reads a coordinate within -most and most.
func (r *reader) degrees(p pointer, most float64) float64 {
	v := r.reading(p)
	if v == nil || math.Abs(*v) > most {
		r.fail(dropPosition)
		return 0
	}
	return *v
}

// reading reads a number that a float64 can hold; nil if there is none.
func (r *reader) reading(p pointer) *float64 {
	n, ok := p.in(r.tree).(json.Number)
	if !ok {
		return nil
	}
	v, err := n.Float64() // NaN and infinity are no JSON; 1e999 is an error here
	if err != nil {
		return nil
	}
	return &v
}

// precedence returns Unset for an unknown word: then the first word of the text decides.
func (r *reader) precedence(p pointer) message.Precedence {
	s := r.word(p, maxID)
	v, err := message.ParsePrecedence(s)
	if err != nil {
		return message.Unset
	}
	return v
}

// Times outside these years come from a clock that was never set: a clock chip begins in
// 2000, a GPS receiver after a week rollover is 1,024 weeks behind. No text is older than
// this program.
const firstYear, lastYear = 2026, 2099

// time reads RFC 3339, or a number of seconds since 1970; zero: there is none.
func (r *reader) time(p pointer) time.Time {
	var t time.Time
	switch v := p.in(r.tree).(type) {
	case string:
		t = parseTime(v)
	case json.Number:
		if s, err := v.Float64(); err == nil && math.Abs(s) < 1e11 {
			t = time.Unix(int64(s), 0).UTC()
		}
	}
	if t.Year() < firstYear || t.Year() > lastYear {
		return time.Time{}
	}
	return t
}

// parseTime allows what RFC 3339 section 5.6 does and package time does not: t and z in
// lower case, and a leap second, which becomes the second before.
func parseTime(s string) (t time.Time) {
	const seconds = len("2006-01-02T15:04:")
	s = strings.ToUpper(s)
	if len(s) > seconds+2 && strings.HasPrefix(s[seconds:], "60") {
		s = s[:seconds] + "59" + s[seconds+2:]
	}
	if err := t.UnmarshalText([]byte(s)); err != nil {
		return time.Time{}
	}
	return t.UTC()
}
