package simulation

import (
	"errors"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// mailServer is the smarthost of every gateway, with everybody's mailboxes.
type mailServer struct{ w *world }

// nobody is a mailbox that is not there.
const nobody = "nobody@club.example"

// take is the end of DATA.
func (s *mailServer) take(g *gateway, l *life, f link.Frame) error {
	m := &f.Message
	key := []string{"mail", g.call, m.From, m.To, f.Text}
	switch {
	case m.To == nobody:
		s.w.ledger.note(entry{what: rejected, gateway: g.call, letter: s.w.plan.letterIn(&f)})
		return link.Permanent("smtp-550", errors.New("no such mailbox"))
	case s.w.chance.hits(s.w.faults.refuse, append(key, "busy")...):
		s.w.ledger.note(entry{what: rejected, gateway: g.call, letter: s.w.plan.letterIn(&f)})
		return errors.New("greylisted, try again")
	}
	time.Sleep(s.w.chance.between(10*time.Millisecond, 500*time.Millisecond, append(key, "slow")...))
	if l.dark.Load() {
		return errOff
	}
	s.w.story("%s mails %s %q", g.call, words(m), f.Text)
	s.w.ledger.mailed(g.call, &f)
	switch {
	case s.w.chance.hits(s.w.faults.unanswered, append(key, "unanswered")...):
		s.w.ledger.note(entry{what: unanswered, gateway: g.call, letter: s.w.plan.letterIn(&f)})
		return errors.New("the connection broke before the answer")
	case s.w.chance.hits(s.w.faults.crashSent, append(key, "crash")...):
		l.dieNow()
	}
	return nil
}

// post has somebody mail a station by a gateway. His own server tries again until
// the gateway has answered.
func (w *world) post(g *gateway, l *letter) {
	w.ledger.note(entry{what: said, letter: l.n, station: l.from})
	g.hear("post", message.Message{
		Kind: message.Text, From: l.from, SenderCall: l.licence, ThirdParty: l.licence == "", To: l.to,
		OriginID: l.id, MailID: l.id, Text: l.text,
	})
}
