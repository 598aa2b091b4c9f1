package queue

import (
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// Identity is what "the same message" means: 128 bits of a hash over who wrote
// what to whom under which id (bridge/identity.go computes it).
type Identity [16]byte

// Record is one message and what became of it. A Record from the store is a copy:
// only a Change changes it there.
type Record struct {
	Seq      uint64          `cbor:"-"` // the gateway's own accept number, from 1; set by the store, which keeps it as the key
	Version  uint64          `cbor:"-"` // the store's, new with each write; 0: unknown
	Message  message.Message `cbor:"2,keyasint"`
	Identity Identity        `cbor:"3,keyasint"`
	// Event is a second identity, of what came by a trunk: the event's own id.
	Event    Identity  `cbor:"14,keyasint,omitempty"`
	Accepted Stamp     `cbor:"4,keyasint"`
	Expires  clock.Age `cbor:"5,keyasint"`  // when the clerk looks at the record (Store.Expiring), at the latest at Until
	Until    clock.Age `cbor:"13,keyasint"` // when its lifetime ends

	Deliveries []Delivery `cbor:"6,keyasint"`

	// Outcome is the result of all deliveries; empty while one is open.
	Outcome State `cbor:"8,keyasint,omitempty"`
	// About is the record that a receipt or notice is about.
	About uint64 `cbor:"9,keyasint,omitempty"`
	// Told: the writer has had the notice "held".
	Told bool `cbor:"10,keyasint,omitempty"`
	// Receipted is when the writer was last sent the end-to-end receipt.
	Receipted clock.Age `cbor:"11,keyasint,omitempty"`

	// Offered are far gateways that were offered the message before it went another way,
	// and may have it although no custody receipt came; at most MaxOffered.
	Offered []string `cbor:"16,keyasint,omitempty"`

	// Restored: it is from a backup, and waits for the operator's decision.
	Restored bool `cbor:"17,keyasint,omitempty"`

	// Joined is the identity of the whole text that this part was joined into.
	Joined Identity `cbor:"18,keyasint,omitempty"`

	// Turn: it is a notice that waits until its station may get one more.
	Turn bool `cbor:"19,keyasint,omitempty"`

	// Returned are other gateways that wait for the outcome: they handed the message
	// to this one, too.
	Returned []Return `cbor:"15,keyasint,omitempty"`

	History []Step `cbor:"12,keyasint,omitempty"` // at most MaxSteps, the oldest first
}

// MaxSteps bounds the history of one record; the middle is dropped first.
const MaxSteps = 60

// MaxOffered bounds Offered; the oldest is dropped first.
const MaxOffered = 8

// Return is a gateway that waits for an outcome, and its id of the message.
type Return struct {
	Link    string `cbor:"1,keyasint"`
	Gateway string `cbor:"2,keyasint"`
	TrunkID string `cbor:"3,keyasint"`
}

// Stamp is one moment: by the gateway's age and, for people, by the clock.
type Stamp struct {
	Age  clock.Age `cbor:"1,keyasint"`
	Wall time.Time `cbor:"2,keyasint"`
	Sure bool      `cbor:"3,keyasint,omitempty"` // the clock was trusted
}

// Step is one thing that happened to a message.
type Step struct {
	At   Stamp  `cbor:"1,keyasint"`
	What string `cbor:"2,keyasint"` // a short fixed word: accepted, sent, acked, …
	Link string `cbor:"3,keyasint,omitempty"`
	Note string `cbor:"4,keyasint,omitempty"`
}

// State is where a delivery stands.
type State string

// The states. Ready, Later, Held, Parked, Local, Passed, Shadow and Gathering are
// open, the others are final.
const (
	Ready  State = "ready"  // never transmitted; waits in its lane
	Later  State = "later"  // waits until Due: after a temporary error, or for an acknowledgement
	Held   State = "held"   // waits until its addressee is heard
	Parked State = "parked" // the operator holds it
	Local  State = "local"  // both stations are on one mesh; waits until Due for their own ack
	Passed State = "passed" // another gateway has it; waits until Due for the end-to-end receipt
	Shadow State = "shadow" // another gateway of this mesh should have taken it over; waits until Due for its word

	Gathering State = "gathering" // a part of a longer text; waits until Due for the others

	Delivered State = "delivered" // the addressee, or the mail server, confirmed
	Sent      State = "sent"      // transmitted where no confirmation exists
	Expired   State = "expired"
	Failed    State = "failed"
	Dropped   State = "dropped" // by the operator
	Taken     State = "taken"   // another gateway of this mesh has it, or it was joined into a longer text
)

// Open tells whether a delivery in this state still has something to do.
func (s State) Open() bool {
	switch s {
	case Ready, Later, Held, Parked, Local, Passed, Shadow, Gathering:
		return true
	}
	return false
}

// Delivery is one way that a message takes: one link, one addressee.
type Delivery struct {
	Link string `cbor:"1,keyasint"` // empty while held for a station that nobody has heard
	To   string `cbor:"2,keyasint"` // the station (with its SSID), group or mail address
	// Gateway is the far gateway that it goes to, on a trunk.
	Gateway string    `cbor:"14,keyasint,omitempty"`
	State   State     `cbor:"3,keyasint"`
	Due     clock.Age `cbor:"4,keyasint,omitempty"` // for Ready (0: now), Later, Local, Passed, Gathering

	// Begun: the first frame has been offered to the link, so the delivery has left
	// its lane and does not delay those behind it.
	Begun    bool   `cbor:"5,keyasint,omitempty"`
	Attempts int    `cbor:"6,keyasint,omitempty"` // rounds of sending, in all
	Round    int    `cbor:"7,keyasint,omitempty"` // since it was last heard
	Parts    []Part `cbor:"8,keyasint,omitempty"` // set before the first frame goes out

	// Before and After are the marks of each part, kept so that a resend is the same
	// to the byte.
	Before string `cbor:"12,keyasint,omitempty"`
	After  string `cbor:"13,keyasint,omitempty"`

	Error string `cbor:"9,keyasint,omitempty"`  // the last one, for people
	Code  string `cbor:"10,keyasint,omitempty"` // why it failed
	Ended Stamp  `cbor:"11,keyasint,omitempty"`
}

// Part is one frame of a delivery.
type Part struct {
	ID    string `cbor:"1,keyasint,omitempty"` // frame id; empty: no acknowledgement is asked for
	Acked bool   `cbor:"2,keyasint,omitempty"`
	Sent  bool   `cbor:"3,keyasint,omitempty"`
}

// Lane is what keeps order: the first transmissions within a lane are made in the
// order of acceptance.
type Lane struct {
	Link       string
	Precedence message.Precedence
	From, To   string
}

// LaneOf returns the lane of one of a record's deliveries.
func (r *Record) LaneOf(d *Delivery) Lane {
	return Lane{Link: d.Link, Precedence: r.Message.Precedence, From: r.Message.From, To: d.To}
}

// Open tells whether any delivery still has something to do.
func (r *Record) Open() bool {
	for i := range r.Deliveries {
		if r.Deliveries[i].State.Open() {
			return true
		}
	}
	return false
}

// Note adds a step to the history.
func (r *Record) Note(at Stamp, what, link, note string) {
	r.History = append(r.History, Step{At: at, What: what, Link: link, Note: note})
	if over := len(r.History) - MaxSteps; over > 0 {
		r.History = append(r.History[:MaxSteps/2], r.History[MaxSteps/2+over:]...)
	}
}
