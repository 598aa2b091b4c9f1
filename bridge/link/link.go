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
	// of the kinds in errors.go. At most Properties.Batch frames are given at a
	// time, from at most Properties.Parallel calls at once. It returns soon after
	// ctx ends; a frame whose fate is unknown then gets ctx's error.
	Send(ctx context.Context, frames []Frame) []error

	// Properties says what the medium can do. It does not change.
	Properties() Properties
}

// Host is what a link may ask of the bridge. Safe for concurrent use.
type Host interface {
	// Accept takes what came in, in order, and returns one verdict each once all
	// of it is on disk or refused. An error means that nothing of it was kept.
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

	// Heard tells where a station was heard, the latest first; empty if nowhere.
	Heard(call string) []Hearing

	// Interest says which stations the bridge cares about, for a link whose
	// server sends only what it is asked for. Ask again every few seconds.
	Interest() Interest

	// Count adds one to the count of frames that were dropped before Accept
	// because they were not readable or not for us; reason is a short fixed word.
	Count(reason string)

	// TurnedAway counts a text that the adapter refuses itself by one of the
	// codes, and keeps it for the log, as far as it is known: perhaps no more than
	// who wrote to whom. Its writer has been told by the adapter.
	TurnedAway(m message.Message, code, why string)
}

// Verdict is what became of one message at Accept.
type Verdict struct {
	ID        string // the gateway's own id, when it was stored or is known already
	Code      string // one of the Code constants; empty: taken over
	Why       string // for people, when Code is set
	Duplicate bool   // known already: confirm it as if it were new
	Kept      bool   // this gateway answers for it now: a trunk may give a custody receipt
}

// Refused tells whether the message was not taken over. A duplicate is not
// refused: it is safe already.
func (v Verdict) Refused() bool { return v.Code != "" && !v.Duplicate }

// Hearing is one place where a station was heard.
type Hearing struct {
	Link  string
	Radio bool // heard by radio (a mesh), not through a network
	Ago   time.Duration
}

// Interest is what the bridge wants to hear of.
type Interest struct {
	Stations []string // heard by radio here: messages for them are wanted
	Sought   []string // somebody's message waits for them: any sign of life is wanted
}

// Frame is what one Send hands over: a whole message, or a part of it that was
// fitted to the medium.
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
	// Left is how long the message has yet to live.
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

	// InOrder promises that Send offers no frame behind one of the same writer to the
	// same addressee that it could not offer and that is to be offered again. So one
	// Send may be given several of them, which are to arrive in order.
	InOrder bool

	// AckLimit ends the doubling of AckWait; 0: half an hour.
	AckLimit time.Duration

	Radio     bool // frames without via were heard by radio, from the station itself
	Positions bool // wants the positions of stations heard by radio
}
