package link

import (
	"context"
	"time"

	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// Trunk is a Link to far gateways. What it sends goes to one gateway
// (Frame.Gateway) or to a group; what far gateways say of themselves and of the
// stations they hear goes to its TrunkHost.
type Trunk interface {
	Link

	// Announce sets what this gateway says of its meshes. The trunk repeats it
	// every presence.Every, and at once when it changes.
	Announce(says []presence.Say)
	// Seek sets the stations whose whereabouts are wanted: base call signs, which
	// stand for each SSID and the usual portable marks, and other portable forms as
	// they are. What is known of the others is not asked for.
	Seek(calls []string)
	// Follow sets the meshes, and single gateways, whose presence is of interest;
	// with all set, everybody's is.
	Follow(meshes, gateways []string, all bool)
	// Report tells far gateways that stations were heard here. The trunk sends a
	// station's report when its place is news, else every ten minutes at most.
	Report(heard []FarHearing)
	// Hush stops everything that the trunk says, announcements and custody receipts
	// included, until it is called with false: to the others the gateway is away.
	Hush(quiet bool)
	// Took tells the other gateways of a mesh what this one has taken in hand.
	Took(ctx context.Context, t Taken) error
}

// Inboxes is how many parts a hub's inbox has: so many of its processes take in what is
// for the gateway. It must not change while there is a hub, since each part knows which
// numbers it has seen.
const Inboxes = 4

// TrunkHost is what a Trunk may ask of the bridge beside Host.
type TrunkHost interface {
	Host

	// AcceptMarked is Accept, and puts small values into the store in the same
	// step: what guards against replays must be on disk with what it guards.
	AcceptMarked(ctx context.Context, marks map[string][]byte, in ...message.Message) ([]Verdict, error)
	// Mark reads such a value back; nil when there is none.
	Mark(ctx context.Context, key string) ([]byte, error)
	// Draw takes n numbers, of which none is ever given again, from such a value, which
	// says in decimal digits which was the last. A value that is not there yet begins at
	// least. It returns the first of them.
	Draw(ctx context.Context, key string, n, least uint64) (first uint64, err error)

	// Inbox waits until this process of a hub has a part of the gateway's inbox, as
	// queue.Share has it.
	Inbox(ctx context.Context, part int) (held context.Context, giveBack func(), err error)

	// Present takes in what a gateway said of a mesh; retained says that it is
	// the broker's memory of it. Absent takes in its last will.
	Present(s presence.Say, retained bool)
	Absent(call string, boot uint64)
	// Spoke tells that a gateway has just signed something for us alone, with a
	// number that it had not used before.
	Spoke(call string)
	// Dated tells whether the time that a listed gateway has signed agrees with our
	// clock. One that nobody has synchronised is not trusted any more when it does not.
	Dated(agrees bool)
	// FarHeard takes in where a far gateway heard a station.
	FarHeard(h FarHearing)
	// TakenBy takes in what another gateway of a mesh has in hand.
	TakenBy(t Taken)
	// Refuse counts an event that was not taken under its refusal code.
	Refuse(code string)
	// FarPosition takes in where a far gateway's station is.
	FarPosition(p FarPosition)
	// Trusts tells that the list of believed gateways was read. What those in
	// fallen said of themselves and of stations is forgotten, and what waits from a
	// key that is not believed any more is held for the operator.
	Trusts(believed func(call, key string) bool, fallen []string)
	// TrustBroken tells whether that list cannot be read now; the one that was read
	// last stays in force.
	TrustBroken(broken bool)
}

// FarHearing is where a gateway heard a station.
type FarHearing struct {
	Call, Gateway, Mesh string
	Ago                 time.Duration
	Messaging           bool
}

// FarPosition is where a station is that a far gateway heard by radio.
type FarPosition struct {
	Call, Gateway, Mesh string
	Where               message.Where
	Ago                 time.Duration
}

// Taken is what one gateway of a mesh tells the others: the identities of the
// messages that it has on disk, and hashes of the frames that it transmits, so
// that those who hear them do not take them for new texts.
type Taken struct {
	Mesh, Gateway string
	Identities    [][16]byte
	Frames        [][16]byte
	// Acks are what it heard stations acknowledge of frames that another gateway
	// of the mesh sent, or that stations sent each other.
	Acks []Ack
}

// Ack is a station's acknowledgement, as it was heard on a mesh.
type Ack struct {
	Station, To string // who acknowledges, and to whom it says so
	ID          string // of the frame
	Nak         bool   // the station refuses the text
	Why         string // for people, with Nak
}
