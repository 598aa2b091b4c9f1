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
	// Seek sets the base call signs whose whereabouts are wanted; what is known
	// of the others is not asked for.
	Seek(bases []string)
	// Follow sets the meshes whose gateways are of interest; with all set, every
	// mesh is.
	Follow(meshes []string, all bool)
	// Report tells far gateways that stations were heard here. The trunk sends a
	// station's report when its place is news, else every ten minutes at most.
	Report(heard []FarHearing)
	// Took tells the other gateways of a mesh what this one has taken in hand.
	Took(ctx context.Context, t Taken) error
}

// TrunkHost is what a Trunk may ask of the bridge beside Host.
type TrunkHost interface {
	Host

	// AcceptMarked is Accept, and puts small values into the store in the same
	// step: what guards against replays must be on disk with what it guards.
	AcceptMarked(ctx context.Context, marks map[string][]byte, in ...message.Message) ([]Verdict, error)
	// Mark reads such a value back; nil when there is none.
	Mark(ctx context.Context, key string) ([]byte, error)

	// Present takes in what a gateway said of a mesh; retained says that it is
	// the broker's memory of it. Absent takes in its last will.
	Present(s presence.Say, retained bool)
	Absent(mesh, call string, boot uint64)
	// FarHeard takes in where a far gateway heard a station.
	FarHeard(h FarHearing)
	// TakenBy takes in what another gateway of a mesh has in hand.
	TakenBy(t Taken)
	// Refuse counts an event that was not taken under its refusal code.
	Refuse(code string)
	// Distrust forgets what a gateway said: its key is no longer believed.
	Distrust(call string)
}

// FarHearing is where a gateway heard a station.
type FarHearing struct {
	Call, Gateway, Mesh string
	Ago                 time.Duration
	Messaging           bool
}

// Taken is what one gateway of a mesh tells the others: the identities of the
// messages that it has on disk, and hashes of the frames that it transmits, so
// that those who hear them do not take them for new texts.
type Taken struct {
	Mesh, Gateway string
	Identities    [][16]byte
	Frames        [][16]byte
}
