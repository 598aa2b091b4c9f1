package airtime

import (
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// Limits are the settings of a link's budget, in percent of an hour.
type Limits struct {
	Airtime float64 // of the channel, that our traffic may fill, repeats included; over 0, to 100
	Reserve float64 // percent of Airtime that is kept for emergency; 0 to below 100
	Duty    float64 // of the node's own transmitter, for everything; 0: no limit
	Repeats int     // transmissions that one frame causes within hearing, at least 1
}

// DefaultLimits are those of a link for which nothing is set.
var DefaultLimits = Limits{Airtime: 10, Reserve: 20, Repeats: 3}

// Request is one frame that wants to go out.
type Request struct {
	Cost       time.Duration // of one transmission: Params.TimeOnAir
	Precedence message.Precedence
	Sender     string        // who wrote it; all frames of one sender share
	Notice     bool          // the gateway's own word
	Waited     time.Duration // since it was accepted
}

// Reason says what a frame waits for.
type Reason string

// The reasons. Go is none.
const (
	Go            Reason = ""
	BudgetUsed    Reason = "budget"         // the hour's airtime is used up
	ReserveKept   Reason = "reserve"        // what is left of it is kept for emergency
	DutyUsed      Reason = "duty"           // the transmitter's own limit
	SenderShare   Reason = "sender's share" // a quarter of the budget went to this sender
	NoticeShare   Reason = "notice share"   // notices have had their part
	NeverPossible Reason = "too long"       // one frame costs more than may ever be used
)

// Budget paces one link. It is safe for concurrent use, but only one goroutine
// at a time may go from Wait or Next to Spend.
type Budget struct{}

// New makes a budget of which nothing is used.
func New(l Limits) (*Budget, error) { return &Budget{}, nil }

// Load takes over what Spend or Save gave to be stored, before anything is spent.
func (b *Budget) Load(saved []byte) error { return nil }

// Save gives what to store at a proper stop: nothing is then lost.
func (b *Budget) Save() ([]byte, error) { return nil, nil }

// Exhaust counts the whole hour as used, emergencies' duty included.
func (b *Budget) Exhaust(now clock.Age) {}

// Wait says how long a frame has to wait for airtime, and for which. 0: it may go.
func (b *Budget) Wait(now clock.Age, r Request) (time.Duration, Reason) { return 0, Go }

// Next says which of the frames is to go next, and how long to wait for it; -1
// when there is none that ever may.
func (b *Budget) Next(now clock.Age, queue []Request) (i int, wait time.Duration, why Reason) {
	return -1, 0, Go
}

// Spend takes the airtime of one frame, which Wait or Next has let go. When the
// airtime must be on disk first, Spend calls commit with the bytes to store, and
// the frame may only go out if that and Spend return nil.
func (b *Budget) Spend(now clock.Age, r Request, commit func([]byte) error) error { return nil }

// Used is the part of the hour's budget that is used, 1 for all of it. Emergencies can
// bring it above.
func (b *Budget) Used(now clock.Age) float64 { return 0 }

// TooLong tells whether one frame of that cost can never go: it costs more than
// the budget less its reserve, or than the duty limit.
func (b *Budget) TooLong(cost time.Duration) bool { return false }

// Forecast gives the waiting time that each of the frames has to expect.
func (b *Budget) Forecast(now clock.Age, queue []Request) []time.Duration { return nil }
