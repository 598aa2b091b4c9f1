package adaptertest

import (
	"log/slog"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// Kit is what an adapter brings to the suite.
type Kit struct {
	// New makes a link that does not run yet, and its far side, there and
	// reachable. Whatever New starts ends in t.Cleanup. The link logs to log.
	New func(t testing.TB, log *slog.Logger) (link.Link, Peer)

	// In is a message as it comes in from the far side, Out one that goes out to
	// it. The suite copies them and sets Text and OriginID.
	In, Out message.Message

	// Confirms: the far side learns that its message was taken over.
	Confirms bool
	// SaysNo: the far side learns of a refusal as such, and of a failed accept
	// that it has to try again (SMTP's 5xx and 4xx). Otherwise a refused message
	// is confirmed like any other, and a failed accept confirms nothing.
	SaysNo bool
	// Repeats: a message whose accept failed is offered again without the far
	// side's user doing anything.
	Repeats bool
	// Connected: the link keeps a connection, so State tells when the far side
	// went. Otherwise only Send notices.
	Connected bool

	// Secret is the password or key that New configures, empty if there is none.
	// It must show in no log and no error.
	Secret string
	// Junk is what a stranger may send here, beyond the suite's own.
	Junk [][]byte
	// Texts are texts that have to arrive unchanged, beyond the suite's own.
	Texts []string

	// Patience is how long the suite waits for what has to happen; zero: 20 s.
	Patience time.Duration
}

// Peer is the far side of one link. A nil function is something that the medium
// does not have; Say and Heard are needed. No function may fail the test from
// another goroutine than its caller's.
type Peer struct {
	// Say sends a message to the link as the medium's users do, and returns at
	// once. The channel gets each answer of the link to it; it stays silent for a
	// medium that does not answer, and it never blocks the peer.
	Say func(message.Message) <-chan Answer
	// Heard gives the texts of the frames that the far side has taken, in their
	// order, each as its reader reads it (a mail without headers and footer).
	Heard <-chan string

	// Cut takes the far side away and breaks what is open; Mend brings it back at
	// the same address.
	Cut, Mend func()
	// Refuse makes the far side refuse the next frame for good; Defer makes it
	// refuse the next frame for now; Stall makes it take nothing and say nothing
	// until Mend.
	Refuse, Defer, Stall func()
	// Junk sends bytes to the link as they are, by a connection or message of
	// their own where the medium has those.
	Junk func([]byte)
}

// Answer is how a link answers the far side.
type Answer string

// The answers.
const (
	Taken   Answer = "taken"   // taken over, or confirmed although refused
	Refused Answer = "refused" // do not try again
	Later   Answer = "later"   // try again later
)

// Run runs each case of the suite as a subtest, with a link of its own.
func Run(t *testing.T, kit Kit) {
	for _, c := range cases {
		t.Run(c.promise, func(t *testing.T) { c.check(start(t, kit)) })
	}
}

var cases = []struct {
	promise string
	check   func(*rig)
}{
	{"properties are sane and do not change", propertiesAreSane},

	{"confirms only after accept returned", confirmsOnlyAfterAccept},
	{"a failed accept is not confirmed and can come again", failedAcceptIsNotConfirmed},
	{"a refused message is answered for good and not offered again", refusedIsFinal},
	{"the same message twice is handed on twice", sameMessageTwice},

	{"a text comes in byte for byte", textComesIn},
	{"a text goes out byte for byte", textGoesOut},
	{"a full frame arrives, a longer one is never cut", longTextIsNotCut},
	{"what the medium cannot carry is never altered", foreignTextIsNotAltered},

	{"one result a frame, in the frames' order", oneResultAFrame},
	{"as many sends at once as declared", sendsAtOnce},
	{"a link that does not run yet is down", downBeforeRun},
	{"a link without its far side is down, and comes back", downAndUpAgain},
	{"permanent stays permanent", permanentStaysPermanent},
	{"temporary is not permanent", temporaryIsNotPermanent},

	{"send returns soon after its context ends", cancelledSend},
	{"run returns soon after its context ends", cancelledRun},
	{"a connection lost during accept loses nothing", cutDuringAccept},
	{"a connection lost during send tells so", cutDuringSend},

	{"junk does no harm", junkDoesNoHarm},
}
