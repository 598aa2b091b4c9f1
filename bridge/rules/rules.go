package rules

import (
	"posthouse/bridge/message"
)

// Refusal says why a message does not pass. The zero Refusal is never given.
type Refusal struct {
	Code       string // one of the link package's refusal codes
	Why        string // for the sender: short, ASCII
	Regulation string // what the rule serves; for the log and vet
}

// rule is one reason to refuse what came in.
type rule struct {
	code       string
	regulation string
	broken     func(m *message.Message, p *Policy) (why string) // empty: not broken
}

// inList is the order in which rules are asked: who, then what, then how long.
var inList = []rule{
	looped,
	noCallsign,
	blocked,
	notAllowed,
	saidEncrypted,
	notText,
	tooLong,
	looksEncrypted,
	expired,
}

// Check judges what came in, or what the gateway itself is about to say. m has
// been through Normalise. nil: it passes.
func Check(m *message.Message, p *Policy) *Refusal {
	for i := range inList {
		if why := inList[i].broken(m, p); why != "" {
			return &Refusal{Code: inList[i].code, Why: why, Regulation: inList[i].regulation}
		}
	}
	return nil
}

// outRule is one reason why a message that passed Check may not take one link.
type outRule struct {
	code       string
	regulation string
	broken     func(m *message.Message, out *Out) (why string)
}

var outList = []outRule{
	placeholderOut,
	thirdPartyAPRS,
	thirdPartyAbroad,
	localOnly,
	notAX25,
	imitatedAck,
}

// CheckOut judges m for one link out. nil: it may go.
func CheckOut(m *message.Message, out *Out) *Refusal {
	for i := range outList {
		if why := outList[i].broken(m, out); why != "" {
			return &Refusal{Code: outList[i].code, Why: why, Regulation: outList[i].regulation}
		}
	}
	return nil
}
