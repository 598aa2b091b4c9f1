package mail

import (
	"bytes"
	"cmp"
	"fmt"
	"net/mail"
	"strings"
	"time"

	gomessage "github.com/emersion/go-message"
	gomail "github.com/emersion/go-message/mail"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// outgoing is one mail, ready for the smarthost.
type outgoing struct {
	from   string // envelope sender; empty: <>
	to     string
	record string // the gateway's own id of the message
	notice bool
	data   []byte
}

// usualMail is room for most mails, in bytes.
const usualMail = 1536

// compose writes the mail for a frame. The same frame gives the same Message-ID
// each time, so that a mail whose fate is unknown may be sent again.
func (o *Options) compose(f link.Frame) (*outgoing, error) {
	m := f.Message
	out := &outgoing{to: m.To, record: cmp.Or(f.Record, f.ID), notice: m.Kind == message.Notice}
	if err := checkRecipient(m.To); err != nil {
		return nil, err
	}
	if !out.notice {
		var err error
		if out.from, err = o.bounceAddress(cmp.Or(f.ID, f.Record)); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	b.Grow(usualMail)
	h := o.header(f, out)
	w, err := gomessage.CreateWriter(&b, h.Header)
	if err != nil {
		return nil, fmt.Errorf("write a mail: %w", err)
	}
	if _, err := w.Write([]byte(body(f) + o.footer(f, out.notice))); err != nil {
		return nil, fmt.Errorf("write a mail: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("write a mail: %w", err)
	}
	out.data = b.Bytes()
	return out, nil
}

// body is what the station wrote; a form that came whole is laid out.
func body(f link.Frame) string {
	text := dropControls(f.Text)
	if form := readForm(text); form != nil && f.Parts <= 1 && f.Message.Kind == message.Text {
		return form.layOut(text)
	}
	return text
}

func checkRecipient(to string) error {
	local, domain, ok := cutAddress(to)
	if !ok || local == "" || len(local) > 64 || !isDomain(domain) || !isASCII(to) || strings.ContainsAny(local, " \"(),:;<>@[\\]") {
		return fmt.Errorf("%q is no mail address that we can send to", clip(to, 100))
	}
	return nil
}

func (o *Options) header(f link.Frame, out *outgoing) gomail.Header {
	m := f.Message
	filed := m.Filed
	if filed.IsZero() {
		filed = o.Now()
	}
	station := &mail.Address{Name: o.displayName(m), Address: o.addressOf(o.station(m))}
	var h gomail.Header
	// The library writes the field that was set last on top.
	h.SetContentType("text/plain", map[string]string{"charset": "utf-8"})
	h.Set("Content-Transfer-Encoding", "quoted-printable")
	h.Set("Mime-Version", "1.0")
	h.Set(markHeader, o.Call)
	if out.notice {
		h.Set("Auto-Submitted", "auto-generated") // RFC 3834 section 5
	}
	if answers := msgID(m.InReplyTo); answers != "" {
		h.SetMsgIDList("References", []string{answers})
		h.SetMsgIDList("In-Reply-To", []string{answers})
	}
	h.SetMessageID(o.messageID(f, out.record))
	h.SetSubject(subject(f))
	h.SetAddressList("To", []*mail.Address{{Address: m.To}})
	h.SetAddressList("Reply-To", []*mail.Address{{Address: station.Address}})
	h.SetAddressList("From", []*mail.Address{station})
	h.SetDate(filed)
	if !out.notice {
		h.Set("Received", o.trace(m))
	}
	return h
}

// station is the local part that answers go to: who wrote, or the gateway itself
// when that was not a station.
func (o *Options) station(m message.Message) string {
	from := m.From
	if message.IsMail(from) || strings.Trim(from, letters+digits+"-/_.") != "" || from == "" {
		from = o.Call
	}
	return strings.ToLower(from)
}

func (o *Options) displayName(m message.Message) string {
	from := oneLine(m.From)
	if from == "" || strings.EqualFold(from, o.Call) {
		return o.Call
	}
	return from + " via " + o.Call
}

// trace says that the mail came in by radio (RFC 5321 section 3.7.2: a gateway
// names the other environment in the via clause).
func (o *Options) trace(m message.Message) string {
	return fmt.Sprintf("from %s by %s via radio; %s", strings.ToUpper(o.station(m)), o.Domain,
		o.Now().UTC().Format("Mon, 02 Jan 2006 15:04:05 -0700"))
}

// messageID names the mail after the gateway's own id, which is how an answer is
// linked to what it answers.
func (o *Options) messageID(f link.Frame, record string) string {
	id := idText(record)
	if f.Parts > 1 {
		id = fmt.Sprintf("%s.%d", id, f.Part)
	}
	return id + "@" + o.Domain
}

// idText gives s as characters that a Message-ID may hold, any other byte in hex.
func idText(s string) string {
	var b strings.Builder
	for i := range len(s) {
		if strings.IndexByte(letters+digits+"-_", s[i]) >= 0 {
			b.WriteByte(s[i])
		} else {
			fmt.Fprintf(&b, "=%02X", s[i])
		}
	}
	return b.String()
}

// msgID gives a Message-ID that may stand in a header, else nothing.
func msgID(s string) string {
	local, domain, ok := strings.Cut(s, "@")
	if !ok || local == "" || domain == "" || !isASCII(s) || strings.ContainsAny(s, " <>(),;\\\"") || len(s) > 250 {
		return ""
	}
	return s
}

// subject is the mail's own subject where it answers one, else the first words
// of the text. The exercise comes first, then the precedence, in plain view.
func subject(f link.Frame) string {
	const most = 60 // bytes, so that it shows whole in a list of mails
	m := f.Message
	s := oneLine(m.Subject)
	if form := readForm(f.Text); s == "" && form != nil {
		s = oneLine(form[4])
	}
	if s == "" {
		s = oneLine(f.Text)
	}
	s = firstWords(s, most)
	if p := m.Precedence; p == message.Emergency || p == message.Priority {
		s = withMark(strings.ToUpper(p.String()), s)
	}
	if m.Exercise != "" && !strings.HasPrefix(s, "EXERCISE") {
		s = "EXERCISE " + s
	}
	if f.Parts > 1 {
		s = fmt.Sprintf("%s (%d/%d)", s, f.Part, f.Parts)
	}
	if m.InReplyTo != "" {
		s = "Re: " + s
	}
	return strings.TrimSpace(s)
}

// withMark puts a mark in front, unless it is among the first words already.
func withMark(mark, s string) string {
	words := strings.Fields(s)
	for _, word := range words[:min(3, len(words))] {
		if strings.Trim(word, ":,.") == mark {
			return s
		}
	}
	return strings.TrimSpace(mark + " " + s)
}

// firstWords cuts s to at most n bytes at a blank, or at a character.
func firstWords(s string, n int) string {
	if len(s) <= n {
		return s
	}
	s = strings.ToValidUTF8(s[:n-3], "")
	if i := strings.LastIndexByte(s, ' '); i > n/2 {
		s = s[:i]
	}
	return s + "..."
}

// footer stands under a signature mark, so that answers lose it again.
func (o *Options) footer(f link.Frame, notice bool) string {
	m := f.Message
	if notice {
		return fmt.Sprintf("\n\n%s\nAutomatic notice of the amateur radio gateway %s.\n", signatureMark, o.Call)
	}
	filed := ""
	if !m.Filed.IsZero() {
		filed = ", filed " + m.Filed.UTC().Format(time.RFC3339)
	}
	return fmt.Sprintf(`

%s
From %s by amateur radio, through gateway %s%s.
To answer, just reply: a few short words of plain text, no attachments.
Amateur radio is open to anyone: no privacy, no encryption, no business.
`, signatureMark, oneLine(m.From), o.Call, filed)
}
