package bridge

import (
	"context"
	"time"

	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// Gateways of one mesh that start together listen first, and none of them transmits. What
// they refuse meanwhile each remembers: the one that transmits then tells the writers.

// unsaid is a refusal that nobody could be told of.
type unsaid struct {
	ln  *line
	m   message.Message
	id  queue.Identity
	ref *rules.Refusal
	at  time.Time
}

const (
	mostUnsaid = 100
	// unsaidFor is longer than gateways listen.
	unsaidFor = 2 * time.Minute
)

// tellsLater remembers a refusal, if nobody transmits on the mesh on which the text was
// heard. Another gateway that transmits has heard it, too, and tells its writer.
func (b *Bridge) tellsLater(ln *line, m *message.Message, id queue.Identity, ref *rules.Refusal) bool {
	if ln.transmits() || m.Handed || b.isServed(ln) {
		return false
	}
	b.kin.mu.Lock()
	defer b.kin.mu.Unlock()
	if len(b.kin.unsaid) < mostUnsaid {
		b.kin.unsaid = append(b.kin.unsaid, unsaid{ln, *m, id, ref, time.Now()})
	}
	return true
}

// tellUnsaid tells what was refused while nobody transmitted, once this gateway does, and
// forgets it, once another does or it is old.
func (b *Bridge) tellUnsaid(ctx context.Context) {
	b.kin.mu.Lock()
	list := b.kin.unsaid
	b.kin.unsaid = nil
	b.kin.mu.Unlock()
	for _, u := range list {
		switch {
		case u.ln.transmits():
			p := b.planTelling(ctx, u.ln, &u.m, u.id, u.ref)
			if _, err := b.carryOut(ctx, u.ln, []plan{p}); err != nil {
				p.spent.giveBack()
				b.log.Error("telling of a refusal failed", "link", u.ln.Name, "from", u.m.From, "err", err)
			}
		case !b.isServed(u.ln) && time.Since(u.at) < unsaidFor:
			b.kin.mu.Lock()
			b.kin.unsaid = append(b.kin.unsaid, u)
			b.kin.mu.Unlock()
		}
	}
}

// isServed tells whether another gateway says that it transmits on a link's mesh, not only
// that it will be the next.
func (b *Bridge) isServed(ln *line) bool {
	g, ok := b.far.table.Transmitter(ln.meshName(), time.Now())
	return ok && b.far.table.Transmits(ln.meshName(), g, time.Now())
}
