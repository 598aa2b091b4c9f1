package link

import (
	"context"
	"time"

	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// Trunk is a Link to far gateways. What it sends goes to one gateway (Frame.Gateway) or
// to a group; the announcements of far gateways go to its TrunkHost.
type Trunk interface {
	Link

	// Announce sets what this gateway announces about its meshes. The trunk repeats it
	// every presence.Every, and at once when it changes.
	Announce(says []presence.Say)
	// Seek sets the stations to listen for on the trunk: base call signs, which stand for
	// every SSID and the usual portable suffixes, and other portable forms as they are.
	Seek(calls []string)
	// Follow sets the meshes and gateways whose announcements are wanted; with all set,
	// everybody's are.
	Follow(meshes, gateways []string, all bool)
	// Report announces to far gateways which stations are heard here: at once if it is
	// news, else every ten minutes at most.
	Report(heard []FarHearing)
	// Hush stops everything that the trunk publishes, announcements and custody receipts
	// included, until it is called with false: to the others the gateway is away.
	Hush(quiet bool)
	// Took tells the other gateways of a mesh what this one has taken over.
	Took(ctx context.Context, t Taken) error
}

// Inboxes is how many parts a hub's inbox has, so that up to so many processes receive. It
// must not change while there is a hub, since each part keeps its own replay windows.
const Inboxes = 4

// TrunkHost is what a Trunk may ask of the bridge besides Host.
type TrunkHost interface {
	Host

	// AcceptMarked is Accept, and writes marks, small values of the trunk's own, in the
	// same commit: a replay window must be on disk with the messages that it guards.
	AcceptMarked(ctx context.Context, marks map[string][]byte, in ...message.Message) ([]Verdict, error)
	// Mark reads such a value; nil: there is none.
	Mark(ctx context.Context, key string) ([]byte, error)
	// Draw takes n numbers that are never given again, and returns the first of them. The
	// mark key keeps the last one, in decimal; if it does not exist yet the numbers begin
	// at least.
	Draw(ctx context.Context, key string, n, least uint64) (first uint64, err error)

	// Inbox waits until this process of a hub has a part of the gateway's inbox, see
	// queue.Share.
	Inbox(ctx context.Context, part int) (held context.Context, giveBack func(), err error)

	// Present processes a gateway's announcement about a mesh; retained: the broker had
	// kept it. Absent processes its last will.
	Present(s presence.Say, retained bool)
	Absent(call string, boot uint64)
	// Spoke tells that a gateway has just signed something for us alone, with a
	// number that it had not used before.
	Spoke(call string)
	// Dated tells whether the signing time of a listed gateway agrees with our clock. If
	// not, a clock that was never synchronised is no longer trusted.
	Dated(agrees bool)
	// FarHeard notes that a far gateway heard a station.
	FarHeard(h FarHearing)
	// TakenBy notes what another gateway of a mesh has taken over.
	TakenBy(t Taken)
	// Refuse counts an event that was refused, by its code.
	Refuse(code string)
	// FarPosition notes the position of a far gateway's station.
	FarPosition(p FarPosition)
	// Trusts tells that the list of trusted gateways was read. The announcements of those
	// in fallen are forgotten, and what waits from a key that is no longer trusted is held
	// for the operator.
	Trusts(believed func(call, key string) bool, fallen []string)
	// TrustBroken tells whether that list cannot be read now; the last good one stays in
	// force.
	TrustBroken(broken bool)
}

// FarHearing is where a gateway heard a station.
type FarHearing struct {
	Call, Gateway, Mesh string
	Ago                 time.Duration
	Messaging           bool
}

// FarPosition is the position of a station that a far gateway heard by radio.
type FarPosition struct {
	Call, Gateway, Mesh string
	Where               message.Where
	Ago                 time.Duration
}

// Taken is what one gateway of a mesh tells the others: the identities of messages that it
// has on disk, and hashes of frames that it transmits, so that the others do not take them
// for new texts.
type Taken struct {
	Mesh, Gateway string
	Identities    [][16]byte
	Frames        [][16]byte
	// Acks are acknowledgements that it heard, of frames that another gateway of the mesh
	// sent, or that stations sent each other.
	Acks []Ack
}

// Ack is a station's acknowledgement, as it was heard on a mesh.
type Ack struct {
	Station, To string // who acknowledges, to whom
	ID          string // of the frame
	Nak         bool   // the station refuses the text
	Why         string // for people, with Nak
}
