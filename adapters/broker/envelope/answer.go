package envelope

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Custody answers a message that went to one gateway's inbox: that gateway has
// it on disk and answers for it, or refuses it for good. It says nothing of the
// station. It is neither stored nor answered.
type Custody struct {
	About string `json:"about"`          // event id of the message, at the gateway that gets this
	Code  string `json:"code,omitempty"` // why it was refused; empty: taken over
	Why   string `json:"why,omitempty"`  // the same for people
}

// Type is TypeCustody.
func (Custody) Type() string { return TypeCustody }

func (c Custody) check(e *Event) error { return checkAnswer(e, c.About, c.Code, c.Why) }

// Receipt tells, end to end, what became of a message for one station. It goes
// back the way of the message, gateway by gateway.
type Receipt struct {
	About   string `json:"about"`   // event id of the message, at the gateway that gets this
	Station string `json:"station"` // whom it was for, as resolved: call sign with SSID, or mail address
	// To is set when the receipt is to be transmitted to the writer's station, by
	// the transmitter of its mesh: About is then the writer's own id.
	To     string    `json:"to,omitempty"`
	Result Result    `json:"result"`
	Code   string    `json:"code,omitempty"` // why it failed, a refusal code or a short fixed word
	Why    string    `json:"why,omitempty"`  // the same for people
	At     time.Time `json:"at,omitzero"`    // when, where the far clock was trusted
}

// Result is what became of a message in the end.
type Result string

// The results.
const (
	ResultDelivered Result = "delivered" // the station acknowledged, or the mail server took it
	ResultSent      Result = "sent"      // transmitted, and nobody could or did confirm it
	ResultNak       Result = "nak"       // the station refused it
	ResultExpired   Result = "expired"   // its lifetime ended
	ResultFailed    Result = "failed"    // for good; Code says why
	ResultDropped   Result = "dropped"   // by the far operator
)

// Results lists them all.
var Results = []Result{ResultDelivered, ResultSent, ResultNak, ResultExpired, ResultFailed, ResultDropped}

// Type is TypeReceipt.
func (Receipt) Type() string { return TypeReceipt }

func (r Receipt) check(e *Event) error {
	switch {
	case r.Station == "":
		return fmt.Errorf("station is missing")
	case !slices.Contains(Results, r.Result):
		return fmt.Errorf("result %q is not known here", clip(string(r.Result)))
	}
	return checkAnswer(e, r.About, r.Code, r.Why)
}

// maxWhy bounds the reason that an answer gives, in bytes.
const maxWhy = 512

// checkAnswer is what both have in common.
func checkAnswer(e *Event, about, code, why string) error {
	switch {
	case !isToken(about):
		return fmt.Errorf("about %q is not an id", clip(about))
	case !isCode(code):
		return fmt.Errorf("code %q is not a short word", clip(code))
	case len(why) > maxWhy:
		return fmt.Errorf("why has %d bytes, more than %d", len(why), maxWhy)
	}
	return e.on(InInbox)
}

// isCode tells whether s is empty or a fixed word as refusals have them:
// too-long.
func isCode(s string) bool {
	return len(s) <= 32 && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz-") == ""
}
