package bridge

import (
	"strings"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// record makes the record of a text that is taken over.
func (b *Bridge) record(m *message.Message, deliveries []queue.Delivery) *queue.Record {
	at := b.stamp()
	r := &queue.Record{Message: *m, Accepted: at, Deliveries: deliveries}
	life := b.lifetime(deliveries)
	if m.Left > 0 { // the gateway that handed it over gives up then
		life = min(life, m.Left)
	}
	r.Until = at.Age.Add(life)
	b.firstLook(r, at.Age)
	if deliveries[0].State == queue.Local || deliveries[0].State == queue.Gathering {
		r.Expires = min(r.Until, deliveries[0].Due)
	}
	r.Note(at, "accepted", m.Link, b.wayOf(m, deliveries))
	return r
}

// lifetime is the longest lifetime of the links that the deliveries take.
func (b *Bridge) lifetime(deliveries []queue.Delivery) time.Duration {
	longest := time.Duration(0)
	for _, d := range deliveries {
		l := b.cfg.Lifetime
		if ln := b.byName[d.Link]; ln != nil {
			l = ln.Lifetime
		}
		longest = max(longest, l)
	}
	return longest
}

func isShadow(to []queue.Delivery) bool { return len(to) > 0 && to[0].State == queue.Shadow }

// heldUntil says what what is held waits for.
func heldUntil(to string) string {
	if message.IsMail(to) {
		return "until there is a way to mail"
	}
	return "until " + to + " is heard"
}

// wayOf describes where a message goes.
func (b *Bridge) wayOf(m *message.Message, to []queue.Delivery) string {
	var ways []string
	for _, d := range to {
		switch {
		case d.State == queue.Shadow && d.Due <= b.clock.Age():
			ways = append(ways, "kept until the process that leads has decided")
		case d.State == queue.Shadow:
			ways = append(ways, "kept as a shadow, another gateway transmits for this mesh")
		case d.State == queue.Held:
			ways = append(ways, "held "+heldUntil(d.To))
		case d.State == queue.Gathering:
			ways = append(ways, "gathered with the other parts of its text")
		case d.State == queue.Local:
			ways = append(ways, "local, "+d.To+" is on the same mesh")
		case d.Gateway != "":
			ways = append(ways, d.Link+" to "+d.To+" by "+d.Gateway)
		case d.To != m.To:
			ways = append(ways, d.Link+" to "+d.To)
		default:
			ways = append(ways, d.Link)
		}
	}
	return strings.Join(ways, ", ")
}

// firstLook sets when the clerk looks at a record: soon if its writer expects a
// confirmation, else when its lifetime ends.
func (b *Bridge) firstLook(r *queue.Record, now clock.Age) {
	r.Expires = r.Until
	if m := &r.Message; m.Kind == message.Text && !b.isGroup(m.To) {
		r.Expires = min(r.Until, now.Add(lookAgain(m.Precedence)))
	}
}

// lookAgain is when a direct text that is still open is looked at: its writer is
// told that it is held, and operators that an emergency is not confirmed.
func lookAgain(p message.Precedence) time.Duration {
	if p == message.Emergency {
		return time.Minute
	}
	return 5 * time.Minute
}
