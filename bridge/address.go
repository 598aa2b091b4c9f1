package bridge

import (
	"context"
	"net/mail"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// answerWithin is how long a station may answer, without an address, the last
// message that the gateway gave it.
const answerWithin = 2 * time.Hour

// address finds the addressee of a text that came in on a link: it looks up an alias; a
// text to a gateway of the mesh or to POST begins with its address, or answers the last
// message that the gateway had given this station when it was written.
func (b *Bridge) address(ln *line, m *message.Message, written clock.Age) *rules.Refusal {
	if to, ok := b.table.Aliases[strings.ToUpper(m.To)]; ok {
		m.Written, m.To = m.To, to
		return nil
	}
	if !b.isUnread(ln, m) {
		return nil
	}
	m.Written = m.To
	if to, rest, ok := b.table.Address(m.Text); ok {
		m.To, m.Text = to, rest
		if m.Text == "" {
			return &rules.Refusal{Code: link.CodeNotText, Why: "nothing after the address"}
		}
		return nil
	}
	if last, ok := b.lastGiven(m.From); !route.Misspelt(m.Text) && ok && last.At <= written {
		m.To, m.InReplyTo = last.From, last.MailID
		return nil
	}
	return &rules.Refusal{Code: link.CodeNoRoute, Why: beginWithAddress}
}

// isUnread tells whether a text was written to a gateway of a mesh, or to POST, and no
// gateway has looked for its addressee yet.
func (b *Bridge) isUnread(ln *line, m *message.Message) bool {
	return ln != nil && m.Written == "" && (m.To == b.own.String() || m.To == b.own.Base || m.To == route.Post || b.isSibling(ln, m.To))
}

// isAnswer tells whether such a text has no address. Only the transmitter of its mesh, which
// gave the writer the last message, knows whom it answers: another gateway leaves it unread.
func (b *Bridge) isAnswer(ln *line, m *message.Message) bool {
	_, _, has := b.table.Address(m.Text)
	return !has && b.isUnread(ln, m)
}

// writtenAt is when a text was filed, by our age: now, if it says nothing of that, or our
// clock does not know.
func (b *Bridge) writtenAt(m *message.Message) clock.Age {
	age := b.clock.Age()
	if now, trusted := b.clock.Wall(); trusted && !m.Filed.IsZero() && m.Filed.Before(now) {
		return age.Add(-now.Sub(m.Filed))
	}
	return age
}

// readLate finds the addressee of an answer that was left unread. What its writer was given
// since it is no answer to.
func (b *Bridge) readLate(home *line, m *message.Message, written clock.Age) *rules.Refusal {
	if !b.isUnread(home, m) {
		return nil
	}
	if ref := b.address(home, m, written); ref != nil {
		return ref
	}
	return rules.Check(m, b.policy(home)) // which have not seen the real addressee
}

// endUnread ends a delivery of an answer that is this gateway's own now, and that nobody
// knows an addressee of.
func (b *Bridge) endUnread(r *queue.Record, delivery int, at queue.Stamp) []*queue.Record {
	if !b.isUnread(b.sharedLine(r.Message.Mesh), &r.Message) {
		return nil
	}
	d := &r.Deliveries[delivery]
	d.Code, d.Error = link.CodeNoRoute, beginWithAddress
	return b.end(r, delivery, queue.Failed, at, nil)
}

const beginWithAddress = "begin with a call sign or mail address"

// readAs writes the addressee into a record that was left unread.
func readAs(r *queue.Record, m *message.Message) {
	if r.Message.Written != "" || m.Written != r.Message.To {
		return
	}
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.To == r.Message.To {
			d.To = m.To
		}
	}
	r.Message.To, r.Message.Written, r.Message.Text, r.Message.InReplyTo = m.To, m.Written, m.Text, m.InReplyTo
}

// canonical returns an address in the form in which addresses are compared.
func canonical(to string) string {
	if message.IsMail(to) {
		local, domain, _ := strings.Cut(to, "@")
		return local + "@" + strings.ToLower(domain)
	}
	if c, err := callsign.Parse(to); err == nil {
		return c.String()
	}
	return callsign.Upper(to)
}

// isGroup tells whether any link carries a group of this name.
func (b *Bridge) isGroup(name string) bool {
	_, ok := b.table.Group(name)
	return ok
}

// given is the last message that the gateway gave a station, at last/<call>.
type given struct {
	From   string    `cbor:"1,keyasint"`
	At     clock.Age `cbor:"2,keyasint"`
	MailID string    `cbor:"3,keyasint,omitempty"`
}

const lastKey = "last/"

// lastGiven finds the message that a station would answer.
func (b *Bridge) lastGiven(station string) (given, bool) {
	if v, ok := b.lately.Load(station); ok {
		g := v.(given)
		return g, b.clock.Age().Sub(g.At) <= answerWithin
	}
	v, err := b.store.Setting(context.Background(), lastKey+station)
	if err != nil || v == nil {
		return given{}, false
	}
	var g given
	if cbor.Unmarshal(v, &g) != nil || b.clock.Age().Sub(g.At) > answerWithin {
		return given{}, false
	}
	return g, true
}

// gave notes which message a station may answer now. The caller writes what it
// returns with the next commit; meanwhile it is known in memory.
func (b *Bridge) gave(station string, m *message.Message) map[string][]byte {
	if m.Kind != message.Text || message.IsMail(station) || b.isGroup(station) {
		return nil
	}
	g := given{m.From, b.clock.Age(), m.MailID}
	b.lately.Store(station, g)
	v, _ := cbor.Marshal(g) // plain fields: cannot fail
	return map[string][]byte{lastKey + station: v}
}

// The stations that wrote to a mail address, at wrote/<address>/<base call>, and
// the last mail from an address to a station, at mail/<base call>/<address>.
const (
	wroteKey  = "wrote/"
	threadKey = "mail/"
)

// remember notes what later answers need: the id of a mail, so that the station's
// answer refers to it, and that a station wrote to an address, which may answer.
func (b *Bridge) remember(m *message.Message, now clock.Age) map[string][]byte {
	v, _ := cbor.Marshal(given{From: m.From, At: now, MailID: m.MailID}) // plain fields: cannot fail
	switch {
	case message.IsMail(m.To) && !message.IsMail(m.From):
		if m.InReplyTo == "" {
			m.InReplyTo = b.lastMail(m.From, m.To)
		}
		return map[string][]byte{wroteKey + strings.ToLower(m.To) + "/" + callsign.Base(m.From): v}
	case message.IsMail(m.From) && m.MailID != "":
		return map[string][]byte{threadKey + callsign.Base(m.To) + "/" + strings.ToLower(m.From): v}
	}
	return nil
}

// lastMail returns the Message-ID of the last mail from an address to a station.
func (b *Bridge) lastMail(station, address string) string {
	v, err := b.store.Setting(context.Background(), threadKey+callsign.Base(station)+"/"+strings.ToLower(address))
	var g given
	if err != nil || v == nil || cbor.Unmarshal(v, &g) != nil {
		return ""
	}
	return g.MailID
}

// MayAnswer tells whether a station wrote to a mail address within the given
// time, so that the address may answer it.
func (b *Bridge) MayAnswer(address, station string, within time.Duration) bool {
	a, err := mail.ParseAddress(address)
	if err != nil {
		return false
	}
	key := wroteKey + strings.ToLower(a.Address) + "/" + callsign.Base(canonical(station))
	v, err := b.store.Setting(context.Background(), key)
	var g given
	return err == nil && v != nil && cbor.Unmarshal(v, &g) == nil && b.clock.Age().Sub(g.At) <= within
}
