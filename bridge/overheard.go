package bridge

import (
	"context"
	"errors"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// An acknowledgement may reach only a gateway of the mesh that did not send the text.
// That gateway tells the others, so that the sender ends its delivery and does not send
// it again. If that word is lost the text is sent and acknowledged again.

// mostOverheard bounds the acks of one mesh that wait to be told, for a second at most.
const mostOverheard = 256

// overheard notes for the other gateways of a mesh an ack that is for none of our own
// frames. It tells whether there are others, alive or only retained by the broker.
func (b *Bridge) overheard(ln *line, m *message.Message) bool {
	if ln.vote == nil || !ln.props.Radio || m.Via != "" || !b.far.table.Known(ln.meshName(), b.own.String()) {
		return false
	}
	s := b.kin
	s.mu.Lock()
	defer s.mu.Unlock()
	remember(s.acked, s.ackedText(ackHash(m.From, m.To, m.Acks)), time.Now())
	t := s.telling(ln.meshName())
	if len(t.Acks) < mostOverheard {
		t.Acks = append(t.Acks, link.Ack{Station: m.From, To: m.To, ID: m.Acks, Nak: m.Nak, Why: m.Text})
	}
	return true
}

// ackHash identifies an ack: of which station, to which text.
func ackHash(station, writer, id string) queue.Identity {
	return identify(&message.Message{From: station, To: writer, OriginID: id, Text: "ack"})
}

// asked is the latest text that was heard under an id.
type asked struct {
	text queue.Identity
	at   time.Time
}

// asks notes a text whose acknowledgement may be heard on the mesh.
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

// ackedText identifies what an ack is for: the text that was heard under its id lately,
// or else any text with that id. The caller holds the lock.
func (s *siblings) ackedText(ack queue.Identity) queue.Identity {
	if a, ok := s.asked[ack]; ok && time.Since(a.at) < toldFor {
		return eventIdentity(string(ack[:]), a.text)
	}
	return ack
}

// wasAcked tells whether the addressee of a text was heard to acknowledge it on the mesh,
// so that no gateway is needed. An ack from long before is for an older text, which had
// this id before the writer's node was reset.
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

// acksOverheard files acks that another gateway of a mesh heard. They count as if they
// had been heard here, so only a gateway of that mesh is believed.
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
