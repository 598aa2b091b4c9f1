package broker

import (
	"context"
	"hash/fnv"
	"strconv"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
)

// The processes of a hub divide its inbox by who signed: link.Inboxes parts, each the
// part of one process at a time. A part is a session of its own at the broker, under a
// client id of its own, and moves as a gateway moves to another machine: one process
// leaves the session, another goes on with it, and the broker keeps what comes between.
//
// An inbox is one topic, so each session brings all of it. What is another part's is let
// go of before its signature is checked, which is what costs most: that part's session
// has it, too. One gateway's events are all of one part. So they stay in order, and no
// two processes ever judge by the same window of numbers.

// isSpread tells whether the inbox is divided. A built-in broker is one process's, and so
// is all that comes there.
func (t *Trunk) isSpread() bool { return t.opts.Process != "" && t.opts.BrokerURL != "" }

// partSessions makes the sessions of all parts: so, but for what is each one's own.
func (t *Trunk) partSessions(so sessionOptions, inbox string) (all []*session) {
	id := so.ClientID
	for n := range link.Inboxes {
		so.ClientID, so.Topics = id+"-in"+strconv.Itoa(n), []string{inbox}
		all = append(all, newSession(so))
	}
	return all
}

// partOf is the part that an event belongs to. The name of who signed is part of what is
// signed: nobody else can bring it into another part. What cannot be read is the first's
// to count.
func partOf(wire []byte) int {
	h := fnv.New32a()
	h.Write([]byte(envelope.SignedBy(wire)))
	return int(h.Sum32() % link.Inboxes)
}

// takePart takes in one part of the inbox whenever it is this process's, until ctx ends.
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
			take:  func(_ context.Context, packets []packet) error { return in.take(ctx, packets) }, // what was begun is ended
			state: t.partState(held, n),
			drop:  func(why dropped) { host.Count(string(why)) },
		})
		giveBack()
	}
}

// partState writes down when a part cannot be taken in. It does not close the link: what
// is to go out goes by another connection.
func (t *Trunk) partState(held context.Context, n int) func(up bool, why string) {
	told := ""
	return func(up bool, why string) {
		switch {
		case held.Err() != nil || why == told:
			return
		case up:
			t.log.Info("this process takes in a part of what is for the gateway", "part", n)
		default:
			t.log.Warn("a part of what is for the gateway waits at the broker", "part", n, "why", why)
		}
		told = why
	}
}
