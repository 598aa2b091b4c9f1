package broker

import (
	"context"
	"hash/fnv"
	"strconv"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
)

// The processes of a hub divide its inbox by signer into link.Inboxes parts; each part
// belongs to one process at a time. A part is a session of its own at the broker, with its
// own client id. To move it one process leaves the session and another continues it; the
// broker keeps what comes in between.
//
// The inbox is one topic, so each session gets all of it. What belongs to another part is
// dropped before its signature is checked, which is what costs most. All events of one
// gateway belong to one part: so they stay in order, and no two processes ever use the same
// replay window.

// isSpread tells whether the inbox is divided. A built-in broker belongs to one process,
// with all that comes in there.
func (t *Trunk) isSpread() bool { return t.opts.Process != "" && t.opts.BrokerURL != "" }

// partSessions makes the sessions of all parts, from so.
func (t *Trunk) partSessions(so sessionOptions, inbox string) (all []*session) {
	id := so.ClientID
	for n := range link.Inboxes {
		so.ClientID, so.Topics = id+"-in"+strconv.Itoa(n), []string{inbox}
		all = append(all, newSession(so))
	}
	return all
}

// partOf is the part that an event belongs to. The signer's name is signed, too, so nobody
// can put an event into another part. What cannot be read is counted by the first part.
func partOf(wire []byte) int {
	h := fnv.New32a()
	h.Write([]byte(envelope.SignedBy(wire)))
	return int(h.Sum32() % link.Inboxes)
}

// takePart receives one part of the inbox whenever that is this process's, until ctx ends.
func (t *Trunk) takePart(ctx context.Context, host link.TrunkHost, n int) {
	for ctx.Err() == nil {
		held, giveBack, err := host.Inbox(ctx, n)
		if err != nil {
			return // ctx has ended
		}
		in := newReceiver(t, host)
		in.mark += strconv.Itoa(n) + "/"
		in.ours = func(wire []byte) bool { return partOf(wire) == n }
		_ = t.inboxes[n].run(held, handler{ // until the part is another's
			take:  func(_ context.Context, packets []packet) error { return in.take(ctx, packets) }, // finish what was begun
			state: t.partState(held, n),
			drop:  func(why dropped) { host.Count(string(why)) },
		})
		giveBack()
	}
}

// partState logs when a part cannot be received. The link stays up: sending uses another
// connection.
func (t *Trunk) partState(held context.Context, n int) func(up bool, why string) {
	told := ""
	return func(up bool, why string) {
		switch {
		case held.Err() != nil || why == told:
			return
		case up:
			t.log.Info("this process receives a part of the gateway's inbox", "part", n)
		default:
			t.log.Warn("a part of the gateway's inbox waits at the broker", "part", n, "why", why)
		}
		told = why
	}
}
