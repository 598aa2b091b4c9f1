package desk

import (
	"time"

	"posthouse/bridge/message"
)

// Head is what every list says of a message.
type Head struct {
	ID         string             `json:"id"`
	Accepted   Moment             `json:"accepted"`
	Kind       message.Kind       `json:"kind"`
	Precedence message.Precedence `json:"precedence"`
	Claimed    message.Precedence `json:"claimed,omitempty"` // what its writer asked for, when it was lowered
	From       string             `json:"from"`
	To         string             `json:"to"`
	In         string             `json:"in,omitempty"`       // the link it came in on; empty: the gateway's own
	Operator   string             `json:"operator,omitempty"` // who wrote one of the gateway's own
	Exercise   string             `json:"exercise,omitempty"`
	Subject    string             `json:"subject,omitempty"`
	Text       string             `json:"text,omitempty"`
}

// Row is one delivery that waits in the queue.
type Row struct {
	Head
	Way
	Waited float64 `json:"waited_seconds"`
	// Expected is how long it will take until it is sent, where the link is paced
	// by airtime; nil: not known. Never: it needs more airtime than the limit.
	Expected *float64 `json:"expected_seconds,omitempty"`
	Never    bool     `json:"never,omitempty"`
}

// Way is one delivery of a message: one link, one addressee.
type Way struct {
	Link    string `json:"link,omitempty"`    // empty: nobody has heard the addressee yet
	Station string `json:"station,omitempty"` // the addressee there, with its SSID
	Gateway string `json:"gateway,omitempty"` // the far gateway, on a trunk
	State   string `json:"state"`
	Tries   int    `json:"tries,omitempty"`
	Acked   int    `json:"parts_acked,omitempty"`
	Parts   int    `json:"parts,omitempty"`
	Due     Moment `json:"due,omitzero"` // when it is looked at again
	Ended   Moment `json:"ended,omitzero"`
	Why     string `json:"why,omitempty"`
	Code    string `json:"code,omitempty"`
}

// Line is one message of the station log, with what became of it.
type Line struct {
	Head
	About string `json:"about,omitempty"` // the message that a receipt or notice speaks of
	// Result is delivered, sent, failed, expired, dropped, taken, refused, or open.
	Result string `json:"result"`
	Code   string `json:"code,omitempty"` // of a refused one, which has no id
	Why    string `json:"why,omitempty"`  // it is not delivered (yet)
	Ended  Moment `json:"ended,omitzero"`
	// Seconds is how long it took from accept to the end, by a clock that nobody
	// sets; nil while open.
	Seconds *float64 `json:"seconds,omitempty"`
	Ways    []Way    `json:"ways,omitempty"`
	Steps   []Step   `json:"steps,omitempty"` // only where asked for
	// More is how many refusals the line stands for that were too many to be
	// written down one by one; 0: it is one message.
	More int `json:"more,omitempty"`
}

// Step is one thing that happened to a message.
type Step struct {
	At   Moment `json:"at"`
	What string `json:"what"`
	Link string `json:"link,omitempty"`
	Note string `json:"note,omitempty"`
}

// Story is everything that is known of one message.
type Story struct {
	Line
	Expires   Moment    `json:"expires,omitzero"` // its lifetime ends
	Filed     time.Time `json:"filed,omitzero"`   // when it was written, by its writer's word
	Written   string    `json:"written_to,omitempty"`
	OriginID  string    `json:"origin_id,omitempty"`
	SNR       *float64  `json:"snr_db,omitempty"`
	RSSI      *float64  `json:"rssi_dbm,omitempty"`
	Hops      []string  `json:"hops,omitempty"`
	Receipted bool      `json:"receipted,omitempty"` // the writer's station has had the end-to-end receipt
	Told      []Told    `json:"told,omitempty"`
}

// Told is a receipt, a notice or an alert about a message: who was told what became of it.
type Told struct {
	ID      string       `json:"id"`
	Kind    message.Kind `json:"kind"`
	To      string       `json:"to"`
	Gateway string       `json:"gateway,omitempty"` // the far one that tells, on a trunk
	Result  string       `json:"result"`            // as of a Line
	Why     string       `json:"why,omitempty"`
	Ended   Moment       `json:"ended,omitzero"`
}

// Span is from Since, inclusive, to Until, exclusive; a zero time is open.
type Span struct {
	Since time.Time `json:"since,omitzero"`
	Until time.Time `json:"until,omitzero"`
}

// Contains tells whether a time lies in the span.
func (s Span) Contains(t time.Time) bool {
	return (s.Since.IsZero() || !t.Before(s.Since)) && (s.Until.IsZero() || t.Before(s.Until))
}

// Draft is a message of the gateway's own that the operator hands in.
type Draft struct {
	To         string             `json:"to"`
	Text       string             `json:"text"`
	Precedence message.Precedence `json:"precedence,omitempty"`
	By         string             `json:"-"` // who wrote it, for the log
}

// Order is what the operator wants done with one message of the queue.
type Order struct {
	Do   string `json:"do"` // one of the constants
	ID   string `json:"id"`
	Link string `json:"link,omitempty"` // where to, for Move
	By   string `json:"-"`              // who says so, for the log
}

// AllRestored is the ID of an Order that means every message that a backup
// brought back and the operator has not decided about: to release or drop them.
const AllRestored = "restored"

// The orders.
const (
	Hold    = "hold"    // park it until Release
	Release = "release" // let it go on
	Retry   = "retry"   // try now, whatever it waits for
	Drop    = "drop"    // end it, and tell its writer
	Move    = "move"    // send it by another link
)
