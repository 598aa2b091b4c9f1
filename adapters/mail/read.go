package mail

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"net/mail"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	gomessage "github.com/emersion/go-message"
	"github.com/emersion/go-message/charset"
	gomail "github.com/emersion/go-message/mail"
	"github.com/emersion/go-message/textproto"
	"golang.org/x/text/encoding/charmap"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// markHeader marks every mail that a gateway sends. A mail that carries it was
// forwarded back to radio by a machine, and is refused: that would be a loop.
const markHeader = "Posthouse-Gateway"

// The package charset knows those beyond UTF-8. What is labelled ISO 8859-1 or -9
// is read as everybody reads it, as the charset of Windows that has characters in
// place of control codes (WHATWG Encoding Standard section 4.2): a euro sign is
// not to vanish from an amount.
func init() {
	for _, label := range []string{"iso-8859-1", "iso8859-1", "iso_8859-1", "latin1", "l1"} {
		charset.RegisterEncoding(label, charmap.Windows1252)
	}
	charset.RegisterEncoding("iso-8859-9", charmap.Windows1254)
}

// latin1Word begins an encoded word (RFC 2047) that package mime reads by itself.
var latin1Word = pattern(`(?i)=\?(iso-8859-1|us-ascii)\?`)

// incoming is one mail as read, before it is known whether its From is true.
type incoming struct {
	header    gomail.Header
	from      string // the one address in From, in lower case
	oddFrom   bool   // programs may read different addresses in From
	subject   string // decoded, without Re:
	reply     bool   // it answers another mail
	forward   bool   // it forwards one, and may answer one all the same
	answers   bool   // its subject is one of a program that answers by itself
	text      string // for radio, without the subject
	notes     string // what was not carried
	id        string // Message-ID without brackets, empty if none is usable
	originID  string // the same for the same mail, whatever its Message-ID looks like
	inReplyTo string
	date      time.Time // zero: none, or not believable

	fetched bool           // out of a mailbox: nobody waits for the answer
	unfit   *message.Unfit // what is wrong with it, when its writer is to be told
}

// readMail reads a mail and refuses what is never for radio. It does not look
// at who sent it. What it refuses it gives as far as it could be read, or nil.
func readMail(raw []byte, now time.Time) (*incoming, error) {
	if err := checkBytes(raw); err != nil {
		return nil, err
	}
	e, opened, err := openMail(raw)
	if err != nil {
		return nil, err
	}
	m := &incoming{header: gomail.Header{Header: e.Header}}
	if err := m.readHeader(raw, now); err != nil {
		return m, err
	}
	if err := m.checkMachine(); err != nil {
		return m, err
	}
	found, texts, err := readParts(e, opened)
	if err != nil {
		return m, err
	}
	if m.text, err = readable(texts, m.forward); err != nil {
		return m, err
	}
	if m.subject != "" && !m.reply && isBare(m.text) {
		m.text = "" // all of it stands in the subject
	}
	if m.text == "" && found.sealed() {
		return m, encrypted()
	}
	m.notes = found.notes()
	if m.text == "" && m.subject == "" {
		return m, refuse(link.CodeNotText, "there is no text in this mail: write plain text")
	}
	return m, nil
}

// checkBytes refuses what RFC 5321 section 2.3.8 and 4.1.1.4 forbid in a mail:
// NUL, and CR or LF alone. Two programs would read such a mail as two different
// ones (SMTP smuggling), and one of them may be the one that checked its sender.
func checkBytes(raw []byte) error {
	if bytes.IndexByte(raw, 0) >= 0 {
		return reply(554, 5, 6, 0, "the mail holds NUL bytes")
	}
	pairs := bytes.Count(raw, []byte("\r\n"))
	if bytes.Count(raw, []byte("\r")) != pairs || bytes.Count(raw, []byte("\n")) != pairs {
		return reply(554, 5, 6, 0, "the mail holds CR or LF alone: lines end in CR LF")
	}
	return nil
}

// mostRead is how much of a mail is looked at at once, in bytes.
const mostRead = 4096

// openMail parses the header. opened says that the body's charset or encoding is
// unknown, which matters once it is read as text.
func openMail(raw []byte) (e *gomessage.Entity, opened, err error) {
	// As gomessage.Read does it, but with no more memory than the mail takes.
	r := bufio.NewReaderSize(bytes.NewReader(raw), min(len(raw), mostRead))
	h, err := textproto.ReadHeader(r)
	if err != nil {
		return nil, nil, reply(554, 5, 6, 0, "the mail's header is broken: %v", err)
	}
	e, opened = gomessage.New(gomessage.Header{Header: h}, r)
	for f := e.Header.Fields(); f.Next(); {
		// Programs differ on "From :"; the one that signed may not have seen it.
		if name, _, _ := bytes.Cut(must(f.Raw()), []byte(":")); bytes.ContainsAny(name, " \t") {
			return nil, nil, reply(554, 5, 6, 0, "the mail's header is broken: blank before a colon")
		}
	}
	return e, opened, nil
}

func must(raw []byte, _ error) []byte { return raw } // a parsed field always has its raw form

// readHeader takes what the bridge needs. RFC 5322 section 3.6 allows each of
// these fields once; a second one is how a signed mail gets another meaning.
func (m *incoming) readHeader(raw []byte, now time.Time) error {
	for _, key := range []string{"From", "Date", "Message-Id", "To", "Cc", "Subject", "Content-Type", "Mime-Version", "In-Reply-To", "Content-Transfer-Encoding"} {
		if n := m.header.FieldsByKey(key).Len(); n > 1 {
			return reply(554, 5, 6, 0, "the mail has %d fields %s, and one is allowed", n, key)
		}
	}
	from, broken := roughly(m.header, "From")
	for i := range from {
		from[i] = canonical(from[i])
	}
	if from = slices.Compact(from); len(from) != 1 {
		return refuse(link.CodeNotAllowed, "From must hold exactly one address")
	}
	m.from, m.oddFrom = from[0], broken || isOdd(m.header.Get("From"))
	switch _, domain, ok := cutAddress(m.from); {
	case !isASCII(m.from):
		return notASCII("sender")
	case !ok || !isDomain(domain): // an address literal, too: nobody could answer
		return reply(553, 5, 1, 7, "the sender's address has no domain name: write from name@domain")
	}
	m.subject, m.reply, m.forward = plainSubject(m.header)
	m.answers = !m.reply && automaticSubject().MatchString(m.subject)
	m.readIDs(raw)
	if date, err := readDate(m.header.Get("Date")); err == nil && date.Before(now.Add(10*time.Minute)) {
		m.date = date.UTC()
	}
	return nil
}

// oldZones are the names that mean a zone (RFC 5322 section 4.3). Package mail knows those of
// this computer's own zone only, and takes others for UTC.
var oldZones = strings.NewReplacer(" EST", " -0500", " EDT", " -0400", " CST", " -0600", " CDT", " -0500",
	" MST", " -0700", " MDT", " -0600", " PST", " -0800", " PDT", " -0700")

// readDate reads a date, whatever day of the week it names, in whatever language.
func readDate(s string) (time.Time, error) {
	if t, err := time.Parse(time.RFC1123Z, s); err == nil { // as most programs write it
		return t, nil
	}
	if day, rest, ok := strings.Cut(s, ","); ok && !strings.Contains(day, " ") {
		s = rest
	}
	return mail.ParseDate(strings.TrimSpace(oldZones.Replace(s)))
}

var quotedString = pattern(`"(\\.|[^"\\])*"`)

// isOdd tells whether a From by RFC 5322 has more in it than a name and an address: a group,
// or an address in a comment.
func isOdd(from string) bool {
	if !strings.ContainsAny(from, ":;(") {
		return false
	}
	from = quotedString().ReplaceAllString(from, "")
	return strings.ContainsAny(from, ":;") || len(roughAddress().FindAllString(from, 2)) != 1
}

// encodedWord is one of RFC 2047.
var encodedWord = pattern(`=\?[^?\s]+\?[bBqQ]\?[^?\s]*\?=`)

// addresses reads a list of addresses, also when a name in it is in a charset
// that nobody knows or in none: the name does not matter here.
func addresses(h gomail.Header, key string) ([]*gomail.Address, error) {
	list, err := h.AddressList(key)
	if err == nil {
		return list, nil
	}
	h = h.Copy()
	h.Set(key, encodedWord().ReplaceAllString(strings.ToValidUTF8(h.Get(key), "\uFFFD"), "name"))
	return h.AddressList(key)
}

func (m *incoming) readIDs(raw []byte) {
	if id, err := m.header.MessageID(); err == nil && len(id) <= 250 {
		m.id = id
	}
	if ids, err := m.header.MsgIDList("In-Reply-To"); err == nil && len(ids) > 0 && len(ids[0]) <= 250 {
		m.inReplyTo = ids[0]
	}
	m.reply = m.reply || m.inReplyTo != "" || m.header.Has("References")
	// A retried mail carries the same Message-ID. Without one its own bytes name
	// it, without the trace lines on top, which each try may change.
	key := []byte(m.header.Get("Message-Id"))
	if len(key) == 0 {
		_, body, _ := bytes.Cut(raw, []byte("\r\n\r\n"))
		key = append([]byte(m.from+"\x00"+m.header.Get("Date")+"\x00"+m.header.Get("Subject")+"\x00"), body...)
	}
	sum := sha256.Sum256(key)
	m.originID = hex.EncodeToString(sum[:8])
}

// fill puts the mail into a text for a station.
func (m *incoming) fill(text *message.Message) {
	text.Subject = m.subject
	text.Text = m.whole()
	text.OriginID, text.MailID, text.InReplyTo = m.originID, m.id, m.inReplyTo
	text.Filed = m.date
	text.Fetched, text.Unfit = m.fetched, m.unfit
}

// whole is what goes on air: the subject in front when the mail begins a
// conversation, since a person writes "Water" there and "two cans, by noon"
// below; an answer's subject only repeats the question.
func (m *incoming) whole() string {
	text := m.text
	switch {
	case text == "":
		text = m.subject
	case m.subject == "" || m.reply && !m.forward || strings.HasPrefix(strings.ToLower(text), strings.ToLower(m.subject)):
	default:
		text = m.subject + ": " + text
	}
	if m.notes != "" {
		text = strings.TrimSpace(text + "\n" + m.notes)
	}
	return text
}

// answerMarks are what mail programs put before the subject of an answer. "Re" is RFC
// 5322 section 3.6.5, the others are common practice.
var answerMarks = []string{"re", "aw", "sv", "antw", "r", "res", "rif", "odp", "vs"}

// plainSubject decodes the subject and takes the marks of answers off. The first of
// them counts.
func plainSubject(h gomail.Header) (subject string, reply, forward bool) {
	written := h.Get("Subject")
	if !utf8.ValidString(written) { // nobody encoded it, or says what it is in: taken for the commonest, as readers do
		written, _ = charmap.Windows1252.NewDecoder().String(written) // has a character for each byte
	}
	h = h.Copy()
	h.Set("Subject", latin1Word().ReplaceAllString(written, "=?windows-1252?"))
	subject, err := h.Subject()
	if err != nil {
		return "", false, false // an unknown charset is never guessed
	}
	subject = oneLine(subject)
	for {
		mark, rest, ok := strings.Cut(subject, ":")
		if strings.HasPrefix(mark, "[") { // offices mark what comes from outside: [EXT]
			mark = mark[strings.LastIndexByte(mark, ']')+1:]
		}
		if mark = strings.TrimSpace(mark); !ok || !isOneOf(answerMarks, mark) && !isOneOf(forwardMarks, mark) {
			return subject, reply, forward
		}
		forward = forward || !reply && isOneOf(forwardMarks, mark)
		subject, reply = strings.TrimSpace(rest), true
	}
}

func isOneOf(marks []string, s string) bool {
	return slices.ContainsFunc(marks, func(mark string) bool { return strings.EqualFold(mark, s) })
}

// oneLine gives s without line ends and control characters, blanks collapsed.
func oneLine(s string) string {
	return strings.Join(strings.Fields(dropControls(s)), " ")
}
