package link

import (
	"context"
	"time"

	"posthouse/bridge/fit"
	"posthouse/bridge/message"
)

// Link is one way out of the gateway: a mesh, APRS-IS, mail, a trunk.
type Link interface {
	// Run keeps the link up until ctx ends, reconnecting as often as needed, and
	// returns when every goroutine and socket of the link is gone. It is called
	// once. A returned error other than ctx's own is final: the link can never
	// work (an address in use, a file that is missing) and says what to do.
	Run(ctx context.Context, host Host) error

	// Send offers frames to the other side in the order given and returns one
	// result for each: nil when the other side has taken it, else an error of one
	// of the kinds in errors.go. It gets at most Properties.Batch frames, in at most
	// Properties.Parallel calls at once. It returns soon after ctx ends; a frame of
	// which nothing is known then gets ctx's error.
	Send(ctx context.Context, frames []Frame) []error

	// Properties says what the medium can do. It does not change.
	Properties() Properties
}

// Host is what a link may ask of the bridge. Safe for concurrent use.
type Host interface {
	// Accept takes what came in, in order, and returns a verdict for each once all are on
	// disk or refused. An error means that none was stored.
	Accept(ctx context.Context, in ...message.Message) ([]Verdict, error)

	// Judge says what Accept would say of one message now, without keeping it:
	// for a medium that can refuse early (SMTP's RCPT).
	Judge(m message.Message) Verdict

	// State tells the bridge that the link went up or down, and why. Repeating a
	// state is harmless.
	State(up bool, why string)

	// Trouble tells what the link does not do although it is up, in words that name no
	// station and no address; empty: it does all of its work again.
	Trouble(what string)

	// Heard returns where a station was heard, the latest first.
	Heard(call string) []Hearing

	// Interest returns which stations the bridge wants to hear about, for a link whose
	// server sends only what it is asked for. Call it again every few seconds.
	Interest() Interest

	// Count counts a frame that was dropped before Accept because it was unreadable or
	// not for us; reason is a short fixed word.
	Count(reason string)

	// TurnedAway counts and logs a text that the adapter itself has refused with one of
	// the codes, and of which it may know no more than who wrote to whom. The adapter has
	// told the writer.
	TurnedAway(m message.Message, code, why string)
}

// Verdict is the result of Accept for one message.
type Verdict struct {
	ID        string // the gateway's own id, when it was stored or is known already
	Code      string // one of the Code constants; empty: taken over
	Why       string // for people, when Code is set
	Duplicate bool   // known already: confirm it like a new one
	Kept      bool   // this gateway is responsible for it now: a trunk may give a custody receipt
}

// Refused tells whether the message was refused. A duplicate was not: it is on disk
// already.
func (v Verdict) Refused() bool { return v.Code != "" && !v.Duplicate }

// Hearing is one place where a station was heard.
type Hearing struct {
	Link  string
	Radio bool // heard by radio (a mesh), not through a network
	Ago   time.Duration
}

// Interest is what the bridge wants to hear about.
type Interest struct {
	Stations []string // heard by radio here: messages for them are wanted
	Sought   []string // something is held for them: anything from them is wanted
}

// Frame is one thing to send: a whole message, or a part that fits the medium.
type Frame struct {
	// Message is the whole message. From, To and the rest are as accepted, but
	// To is the station that this delivery goes to.
	Message message.Message
	// Text is what this frame carries, fitted to the medium and marked: send it
	// as it is.
	Text string
	// ID is the frame id that the station's acknowledgement will name, the same
	// at every resend. Empty: none is asked for.
	ID string
	// Part and Parts number the parts of a long text, from 1; 1 of 1 for a whole.
	Part, Parts int
	// Attempt counts from 1.
	Attempt int
	// Record is the gateway's own id of the message, for logs and for media with
	// long ids.
	Record string
	// Gateway is the far gateway that the frame is for, on a trunk.
	Gateway string
	// Left is the rest of the message's lifetime.
	Left time.Duration
}

// Properties is what a medium can do.
type Properties struct {
	Medium fit.Medium // what fits in one frame; zero: a whole message fits

	Acks            bool          // direct texts are acknowledged by their addressee
	Final           bool          // a taken frame has arrived (SMTP's 250), no receipt follows
	AckWait         time.Duration // first wait for an acknowledgement; doubled each time
	Resends         int           // how often an unacknowledged text is sent again
	OnePerAddressee bool          // one unacknowledged text per addressee at a time

	Batch    int // frames that one Send may be given; at least 1
	Parallel int // Send calls that may run at once; at least 1

	// InOrder promises that after a frame that has to be offered again Send offers no
	// other of the same writer to the same addressee. So one Send may get several of them,
	// and they arrive in order.
	InOrder bool

	// AckLimit ends the doubling of AckWait; 0: half an hour.
	AckLimit time.Duration

	Radio     bool // frames without via were heard by radio, from the station itself
	Positions bool // wants the positions of stations heard by radio
}
