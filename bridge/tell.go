package bridge

import (
	"context"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// noticesPerHour is how many notices one station gets.
const noticesPerHour = 6

// noticeLifetime is how long a notice is worth sending.
const noticeLifetime = 12 * time.Hour

// telling is whether, and when, a writer gets a notice.
type telling int

const (
	untold telling = iota // not at all: there is no way, or it would do harm
	atOnce
	inTurn // the writer has had the notices of this hour: one about a failure waits
)

// mayTell tells whether a writer may get a notice, and counts it if that is at once.
func (b *Bridge) mayTell(m *message.Message) telling {
	ln := b.byName[m.Link]
	switch {
	case m.Kind != message.Text || b.isGroup(m.To) || b.control.blocked().Match(m.From) || ln == nil || !ln.MaySend():
		return untold
	case b.noticeRate.Allow(m.From, b.clock.Age()):
		return atOnce
	}
	return inTurn
}

// always makes a decided telling an argument for end.
func (t telling) always(*message.Message) telling { return t }

// notice makes a notice to the writer of a message. Notices are routine, have
// no id, and are never answered.
func (b *Bridge) notice(about *message.Message, seq uint64, at queue.Stamp, text string) *queue.Record {
	r := &queue.Record{
		About:    seq,
		Accepted: at,
		Until:    at.Age.Add(noticeLifetime),
		Message: message.Message{
			Kind: message.Notice, From: b.own.String(), To: about.From, Text: text,
			Precedence: message.Routine, Filed: at.Wall, InReplyTo: about.MailID, Subject: about.Subject,
		},
		Deliveries: []queue.Delivery{{Link: about.Link, To: about.From, State: queue.Ready}},
	}
	r.Expires = r.Until
	if ln := b.byName[about.Link]; ln != nil && ln.trunk != nil { // through the gateway that handed it over
		r.Message.Acks, r.Deliveries[0].Gateway = about.TrunkID, about.Via
	}
	return r
}

// The texts of notices are short, for a slow channel and a small screen, and begin
// with the word that matters.
func failedText(r *queue.Record) string {
	m, why := &r.Message, failedWhy(r)
	if r.Outcome == queue.Dropped { // by whom is in the log
		why = "dropped by the operator"
	}
	if !message.IsMail(m.From) { // the whole of it is in the log
		why = firstOf(why, 80)
	}
	return fmt.Sprintf("not delivered to %s: %s. %s", addresseeOf(m), why, quote(m.Text))
}

// failedWhy says in a few words why a message did not arrive, as far as known: not
// confirmed is not the same as not delivered.
func failedWhy(r *queue.Record) string {
	why := string(r.Outcome)
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		switch n := len(d.Parts); {
		case n > 1 && ackedParts(d) > 0:
			return fmt.Sprintf("%d of %d parts arrived", ackedParts(d), n)
		case d.Error != "" && (r.Outcome == queue.Failed || d.Code == link.CodeExpired): // a far gateway said why
			why = d.Error
		case r.Outcome == queue.Expired && d.Begun && d.Gateway != "":
			why = "passed to " + d.Gateway + ", not confirmed"
		case r.Outcome == queue.Expired && message.IsMail(d.To): // had the server taken it, it would be delivered
			why = because(string(r.Outcome), d.Error)
		case r.Outcome == queue.Expired && d.Begun:
			why = "sent, not confirmed"
		}
	}
	return why
}

func ackedParts(d *queue.Delivery) int {
	n := 0
	for _, p := range d.Parts {
		if p.Acked {
			n++
		}
	}
	return n
}

func deliveredText(m *message.Message, at queue.Stamp) string {
	return fmt.Sprintf("delivered: %s acknowledged your message %sat %s.\n%s", addresseeOf(m), filedAt(m), at.Wall.Format("1504Z"), quote(m.Text))
}

func filedAt(m *message.Message) string {
	if m.Filed.IsZero() {
		return ""
	}
	return "of " + m.Filed.UTC().Format("1504Z") + " "
}

// addresseeOf is the name in which a notice speaks of an addressee: as its writer wrote
// it, and that is in front of the text if the text was written to a gateway or to POST.
func addresseeOf(m *message.Message) string {
	if isToGateway(m.Written) {
		return m.To
	}
	return m.Replyable()
}

func heldText(m *message.Message, last string) string {
	if message.IsMail(m.To) {
		return fmt.Sprintf("held: %s: no way to mail now. Goes out when there is one. %s", addresseeOf(m), quote(m.Text))
	}
	return fmt.Sprintf("held: %s %s. Goes out when heard. %s", addresseeOf(m), last, quote(m.Text))
}

// quote returns the beginning of a text, so that its writer recognises it.
func quote(text string) string { return `"` + visible(firstOf(text, 24)) + `"` }

// visible removes hidden characters from a quotation: what a text was refused for
// must not go on the air, and cutting it may leave half a character.
func visible(s string) string {
	if rules.Hidden(s) == "" {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r == unicode.ReplacementChar:
			return '?'
		case unicode.IsMark(r) || rules.Hidden(string(r)) != "":
			return -1
		}
		return r
	}, s)
}

// firstOf returns at most so many characters of a text, on one line.
func firstOf(text string, most int) string {
	text = strings.Join(strings.Fields(text), " ")
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:most]) + "..."
}

// planRefusal plans what follows a refusal: it is counted and logged, and the writer
// is told unless that would do harm.
func (b *Bridge) planRefusal(ctx context.Context, ln *line, m *message.Message, id queue.Identity, ref *rules.Refusal) plan {
	b.refused(ln, m, id, ref.Code, ref.Why)
	p := settled(link.Verdict{Code: ref.Code, Why: ref.Why})
	if ln.trunk != nil {
		if rec := b.refuseBack(m, ref); rec != nil {
			p.ops = []queue.Op{{New: rec, EventFor: time.Hour, Urgent: true}}
		}
		home := b.byName[m.Link]
		if home == ln {
			return p
		}
		ln = home // handed to us as the transmitter of the writer's mesh: we tell the writer
	}
	if b.tellsLater(ln, m, id, ref) {
		return p
	}
	told := b.planTelling(ctx, ln, m, id, ref)
	told.ops = append(p.ops, told.ops...)
	return told
}

// planTelling plans the words about a refusal to its writer, and to the operators of an
// emergency.
func (b *Bridge) planTelling(ctx context.Context, ln *line, m *message.Message, id queue.Identity, ref *rules.Refusal) plan {
	verdict := link.Verdict{Code: ref.Code, Why: ref.Why}
	p := settled(verdict)
	// A radio repeats what is not acknowledged, but is told only once.
	told := identify(&message.Message{From: m.From, OriginID: "refused", Text: string(id[:])})
	if _, known, err := b.store.Known(ctx, told, b.clock.Age().Add(-ln.DedupWindow)); err != nil || known {
		return p
	}
	p.spent = &spending{}
	alarms := b.alarmNotTaken(ln, m, ref)
	words := alarms
	if rec := b.refusalNotice(ln, m, ref, p.spent); rec != nil {
		words = append([]*queue.Record{rec}, alarms...)
	}
	if len(words) == 0 {
		return p
	}
	words[0].Identity = told
	for _, r := range words {
		p.ops = append(p.ops, queue.Op{New: r, SameFor: ln.DedupWindow, Urgent: len(alarms) > 0})
	}
	if len(alarms) == 0 {
		p.full = verdict
	}
	return p
}

// refusalNotice makes the notice about a refusal, or nil. There is none about a
// frame that a gateway sent or a text to a group, none to a blocked or unidentified
// station, and none for mail, where the SMTP reply says it; a mail that was fetched
// simply stays in the mailbox if its writer has sent too many.
func (b *Bridge) refusalNotice(ln *line, m *message.Message, ref *rules.Refusal, spent *spending) *queue.Record {
	switch ref.Code {
	case link.CodeLooped, link.CodeDuplicate, link.CodeFull, link.CodeBadSignature:
		return nil
	}
	if m.SenderCall != "" && b.control.blocked().Match(m.SenderCall) { // a call sign that writes itself mayTell knows
		return nil
	}
	if callsign.Same(m.From, callsign.Placeholder) { // nobody has it
		return nil
	}
	if m.To == "" && rules.Precedence(m) != message.Emergency { // talk on the mesh's channel, not meant for the gateway
		return nil
	}
	// On a shared mesh only the transmitter tells the writer, or the gateway to which the
	// text was handed.
	if _, err := callsign.Parse(m.From); err != nil && (!m.Fetched || ref.Code == link.CodeTooMany) || b.isGroup(m.To) || !ln.transmits() && !m.Handed {
		return nil
	}
	told := spent.mayTell(b, m)
	if told == untold || told == inTurn && !m.Handed { // what was handed over another gateway had confirmed
		return nil
	}
	text := fmt.Sprintf("not taken: %s (%s).", ref.Why, ref.Code)
	// Of what looks encrypted nothing may go out, not even a quotation.
	if words := showable(m.Text, refusalText); words != "" && ref.Code != link.CodeLooksEncrypted {
		text += " " + quote(words)
	}
	r := b.notice(m, 0, b.stamp(), text)
	if told == inTurn {
		b.postpone(r, r.Accepted.Age)
	}
	return r
}
