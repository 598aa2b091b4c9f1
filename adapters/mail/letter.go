package mail

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapclient"
	gomail "github.com/emersion/go-message/mail"
	"github.com/emersion/go-smtp"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// mostStations is how many one mail in the mailbox may be to: a server splits it, so that
// a client may have as many as it likes there.
const mostStations = 50

// maxRough is how many addresses are looked for in a broken list.
const maxRough = 100

// letter is a mail in the mailbox that is addressed to stations, or a report
// about a mail of ours.
type letter struct {
	uid     imap.UID
	size    int64
	to      []string
	bounced string
}

// large tells whether a mail is too large to be read.
func (l letter) large(o Options) bool { return l.size > o.MaxMessageBytes }

// addressed picks those of the mails that are for us, by To and Cc. The rest
// belongs to somebody else who reads the same mailbox, and stays unseen.
func (v *visit) addressed(uids []imap.UID) (letters []letter, err error) {
	slices.Sort(uids) // servers answer in this order
	left := slices.Clone(uids)
	defer func() {
		if err != nil && len(left) > 0 {
			v.stumbled(left[0])
		}
	}()
	head := &imap.FetchItemBodySection{Specifier: imap.PartSpecifierHeader, HeaderFields: []string{"To", "Cc"}, Peek: true}
	fetch := v.client.Fetch(imap.UIDSetNum(uids...), &imap.FetchOptions{UID: true, RFC822Size: true, BodySection: []*imap.FetchItemBodySection{head}})
	defer fetch.Close()
	for range len(uids) {
		data := fetch.Next()
		if data == nil {
			break
		}
		mail, err := data.Collect()
		if err != nil {
			return nil, fmt.Errorf("read to whom mail is: %w", err)
		}
		if !slices.Contains(uids, mail.UID) {
			continue
		}
		left = slices.DeleteFunc(left, func(uid imap.UID) bool { return uid == mail.UID })
		if len(mail.BodySection) == 0 { // somebody else marks it just now, and the server tells us that
			v.leave(mail.UID)
			continue
		}
		l := letter{uid: mail.UID, size: mail.RFC822Size}
		if l.to, l.bounced = v.recipients(mail.FindBodySection(head)); len(l.to) > 0 || l.bounced != "" {
			letters = append(letters, l)
		}
	}
	if err := fetch.Close(); err != nil {
		return nil, fmt.Errorf("read to whom mail is: %w", err)
	}
	return letters, nil
}

// recipients reads the stations in To and Cc, or the message that a report to a
// bounce address is about.
func (in *intake) recipients(head []byte) (to []string, bounced string) {
	r, err := gomail.CreateReader(bytes.NewReader(head))
	if err != nil {
		return nil, ""
	}
	for _, key := range []string{"To", "Cc"} {
		all, _ := roughly(r.Header, key)
		for _, address := range all {
			local, ours := in.o.localPart(address)
			if id, ok := bouncedID(in.o.BounceKey, local); ours && ok {
				return nil, id
			}
			station, ok := stationIn(local)
			if ours && ok && in.o.mayBe(station) && !slices.Contains(to, station) && len(to) <= mostStations {
				to = append(to, station)
			}
		}
	}
	return to, ""
}

// roughAddress is what looks like an address in a list that is none by RFC 5322: with
// semicolons, or a name in bytes that are no UTF-8 or with signs that need quotation marks.
var roughAddress = pattern(`[^\s<>,;:"()@]+@[^\s<>,;:"()@]+`)

// roughly reads a list of addresses, also a broken one: a mail that nobody looks at
// for that would lie in the mailbox, and nobody know.
func roughly(h gomail.Header, key string) (all []string, broken bool) {
	list, err := addresses(h, key)
	if err != nil {
		for _, a := range roughAddress().FindAllString(h.Get(key), maxRough) {
			all = append(all, strings.Trim(a, "'"))
		}
	}
	for _, a := range list {
		all = append(all, a.Address)
	}
	return all, err != nil
}

// take takes one mail over and marks it as seen, and as flagged when it was
// refused for good, so that whoever opens the mailbox finds it.
func (v *visit) take(l letter) error {
	raw, err := v.read(l)
	if errors.Is(err, errGone) {
		return nil // somebody else has deleted it
	}
	if err != nil {
		return err
	}
	refused := v.judge(l, raw)
	if refused != nil && v.passes(refused) {
		v.waits(l.uid, printable(refused.Error()))
		v.leave(l.uid)
		return nil
	}
	flags := []imap.Flag{imap.FlagSeen}
	if refused != nil {
		v.log.Info("mail refused", "why", printable(refused.Error()))
		flags = append(flags, imap.FlagFlagged)
	}
	store := v.client.Store(imap.UIDSetNum(l.uid), &imap.StoreFlags{Op: imap.StoreFlagsAdd, Silent: true, Flags: flags}, nil)
	if err := store.Close(); err != nil {
		return fmt.Errorf("mark a mail as seen: %w", err)
	}
	return nil
}

// read fetches a whole mail, or the header of a large one, without marking it. nil: it is
// larger than the server said.
func (v *visit) read(l letter) ([]byte, error) {
	section := &imap.FetchItemBodySection{Peek: true}
	if l.large(v.o) {
		section.Specifier = imap.PartSpecifierHeader
	}
	fetch := v.client.Fetch(imap.UIDSetNum(l.uid), &imap.FetchOptions{UID: true, BodySection: []*imap.FetchItemBodySection{section}})
	defer fetch.Close()
	data := fetch.Next()
	if data == nil {
		return nil, cmp.Or(fetch.Close(), errGone)
	}
	for item := data.Next(); item != nil; item = data.Next() {
		body, ok := item.(imapclient.FetchItemDataBodySection)
		if !ok || body.Literal == nil {
			continue
		}
		raw, err := io.ReadAll(io.LimitReader(body.Literal, v.o.MaxMessageBytes+1))
		if err != nil {
			return nil, fmt.Errorf("read a mail: %w", err)
		}
		if int64(len(raw)) > v.o.MaxMessageBytes {
			return nil, nil
		}
		return raw, nil
	}
	return nil, cmp.Or(fetch.Close(), errors.New("the server gives no text of a mail"))
}

var errGone = errors.New("the mail is gone")

// judge hands a mail over; what is wrong with it comes back, counted. Nobody
// waits for an answer here, so a writer who is known to be himself, and may write
// to that station, is told by the bridge.
func (v *visit) judge(l letter, raw []byte) error {
	tooLarge := refuse(link.CodeTooLong, "the mail has more than %d bytes: write plain text, without pictures and attachments", v.o.MaxMessageBytes)
	switch {
	case raw == nil, l.large(v.o) && (l.bounced != "" || v.o.Mailbox.Vouches == ""): // a signature is over all of it
		return v.counted(l, nil, tooLarge)
	case l.bounced != "":
		return v.counted(l, nil, v.takeReport(raw, l.bounced))
	}
	m, wrong := readMail(raw, v.o.Now())
	if m == nil || m.from == "" {
		return v.counted(l, m, wrong)
	}
	if err := v.proven(m, raw, l.to); err != nil {
		return v.counted(l, m, err)
	}
	if l.large(v.o) {
		wrong = tooLarge
	}
	m.fetched = true
	if wrong == nil && len(l.to) > mostStations {
		wrong = refuse(link.CodeNotAllowed, "the mail is to more than %d stations: write to a group, or to fewer", mostStations)
	}
	if wrong == nil {
		return v.counted(l, m, v.handOver(m, l.to))
	}
	m.unfit = unfit(wrong)
	if m.unfit == nil || m.checkMachine() != nil {
		return v.counted(l, m, wrong)
	}
	return v.counted(l, m, v.handOver(m, l.to[:1]))
}

// unfit puts a refusal for good into the bridge's words; nil: it is none.
func unfit(err error) *message.Unfit {
	if r, ok := errors.AsType[*refusal](err); ok {
		return &message.Unfit{Code: r.code, Why: r.why}
	}
	if answer, ok := errors.AsType[*smtp.SMTPError](err); ok && !answer.Temporary() {
		return &message.Unfit{Code: link.CodeNotText, Why: answer.Message}
	}
	return nil
}

// counted counts a refusal that the bridge has not counted. m is the mail as far as it
// could be read, or nil.
func (in *intake) counted(l letter, m *incoming, err error) error {
	if err == nil {
		return nil
	}
	r, ok := errors.AsType[*refusal](err)
	switch {
	case ok && r.counted:
	case ok:
		about := message.Message{To: strings.Join(l.to, ", ")}
		if m != nil {
			m.fill(&about)
			about.From = m.from
		}
		in.host.TurnedAway(about, r.code, r.why)
	default:
		in.host.Count("smtp")
	}
	return err
}

// passes tells whether a refusal is only for now.
func (v *visit) passes(err error) bool {
	if r, ok := errors.AsType[*refusal](err); ok {
		return answers[r.code].code/100 == 4
	}
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	return !ok || answer.Temporary()
}
