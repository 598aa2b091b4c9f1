package mail

import (
	"sync"

	"posthouse/bridge/link"
)

// sides makes one state of two: the link is up while mail can go out, and its
// reason tells of a mailbox that cannot be read. A link that only fetches is up
// while its mailbox is.
type sides struct {
	link.Host

	mu         sync.Mutex
	up         bool   // the smarthost
	why        string // of the smarthost's state
	trouble    string // of the mailbox; empty: none
	onlyMailIn bool
}

// State implements link.Host for the smarthost.
func (s *sides) State(up bool, why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.up, s.why = up, why
	s.tell()
}

// fetching sets how the mailbox is: trouble is empty when it can be read.
func (s *sides) fetching(trouble string, onlyMailIn bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.trouble, s.onlyMailIn = trouble, onlyMailIn
	s.Trouble("")
	if trouble != "" && !onlyMailIn {
		s.Trouble("mail does not come in, the mailbox cannot be read")
	}
	if onlyMailIn || s.why != "" {
		s.tell()
	}
}

func (s *sides) tell() {
	switch {
	case s.onlyMailIn && s.trouble != "":
		s.Host.State(false, s.trouble)
	case s.onlyMailIn:
		s.Host.State(true, "reading the mailbox")
	case s.trouble != "":
		s.Host.State(s.up, s.why+"; mail does not come in: "+s.trouble)
	default:
		s.Host.State(s.up, s.why)
	}
}
