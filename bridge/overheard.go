package bridge

import (
	"context"
	"errors"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A station's acknowledgement may reach only a gateway of its mesh that did not
// send the text. That gateway tells the others what it overheard: the one that
// sent it ends its delivery, and does not send again what has arrived. What is
// lost of that word is made good by the resend, which is acknowledged again.

// mostOverheard bounds the acks of one mesh that wait to be told, within a second.
const mostOverheard = 256

// overheard has the other gateways of a mesh told of an ack that is for none of
// our own frames. It tells whether there are any: one of which only the broker
// knows may be alive.
func (b *Bridge) overheard(ln *line, m *message.Message) bool {
	if ln.vote == nil || !ln.props.Radio || m.Via != "" || !b.far.table.Known(ln.meshName(), b.own.String(), true) {
		return false
	}
	s := b.kin
	s.mu.Lock()
	defer s.mu.Unlock()
	remember(s.acked, s.ackedText(ackHash(m.From, m.To, m.Acks)))
	t := s.telling(ln.meshName())
	if len(t.Acks) < mostOverheard {
		t.Acks = append(t.Acks, link.Ack{Station: m.From, To: m.To, ID: m.Acks, Nak: m.Nak, Why: m.Text})
	}
	return true
}

// ackHash names an ack: whose it is, and of which text.
func ackHash(station, writer, id string) queue.Identity {
	return identify(&message.Message{From: station, To: writer, OriginID: id, Text: "ack"})
}

// asked is the latest text that was heard under an id.
type asked struct {
	text queue.Identity
	at   time.Time
}

// asks notes a text that its addressee may be heard to acknowledge.
func (s *siblings) asks(m *message.Message, text queue.Identity) {
	if m.OriginID == "" {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.asked) >= maxTold {
		clear(s.asked)
	}
	s.asked[ackHash(m.To, m.From, m.OriginID)] = asked{text, time.Now()}
}

// ackedText names what an ack is for: the text that was heard under its id, or where none
// was heard lately whatever has that id. The caller holds the lock.
func (s *siblings) ackedText(ack queue.Identity) queue.Identity {
	if a, ok := s.asked[ack]; ok && time.Since(a.at) < toldFor {
		return eventIdentity(string(ack[:]), a.text)
	}
	return ack
}

// wasAcked tells whether the addressee of a text that was heard on a mesh was
// heard to acknowledge it there: the stations need no gateway. An ack from long before the
// text was heard is for another one, which had this id before the writer's node was reset.
func (s *siblings) wasAcked(m *message.Message, text queue.Identity, ago time.Duration) bool {
	if m.OriginID == "" {
		return false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	ack := ackHash(m.To, m.From, m.OriginID)
	at, ok := s.acked[eventIdentity(string(ack[:]), text)]
	if !ok {
		at, ok = s.acked[ack]
	}
	return ok && time.Since(at) < ago+sameWithoutID
}

// acksOverheard files what another gateway of a mesh heard stations acknowledge.
// It counts as if it had been heard here, so only from a gateway of that mesh.
func (b *Bridge) acksOverheard(ctx context.Context, ln *line, t *link.Taken) {
	if !b.far.table.Serves(t.Mesh, t.Gateway) {
		return
	}
	for _, a := range t.Acks {
		m := &message.Message{Kind: message.Receipt, Link: ln.Name, From: a.Station, To: a.To, Acks: a.ID, Nak: a.Nak, Text: a.Why, Via: t.Gateway}
		item, part, err := b.acknowledged(ctx, ln, m)
		if errors.Is(err, queue.ErrNotFound) {
			continue
		}
		var done []queue.Done
		spent := &spending{}
		if err == nil {
			done, err = b.store.Apply(ctx, queue.Op{Seq: item.Seq, Change: b.receipt(item, part, ln, m, spent.tell(b)), Urgent: true})
		}
		if err != nil {
			spent.giveBack()
			b.log.Warn("filing an ack that another gateway heard failed; it comes again when the text is sent again", "link", ln.Name, "err", err)
			continue
		}
		b.receipted(ln, item, m, done[0])
	}
}
