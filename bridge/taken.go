package bridge

import (
	"cmp"
	"context"
	"slices"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A gateway tells the others of its mesh what it has taken over, so that they drop
// their shadows of it, and what it transmits, so that they do not take it for new texts.

// toldFor is how long such word is remembered: the text itself may be heard later.
const (
	toldFor = 10 * time.Minute
	maxTold = 20000
)

// frameHash identifies a text as it is seen on the air, without its id.
func frameHash(from, to, text string) queue.Identity {
	return identify(&message.Message{From: from, To: to, Text: text})
}

// note notes for the others of a mesh that this gateway has taken a message over, or
// transmits a frame.
func (s *siblings) note(mesh string, id, frame queue.Identity) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.telling(mesh)
	if id != (queue.Identity{}) && len(t.Identities) < 1000 {
		t.Identities = append(t.Identities, id)
	}
	if frame != (queue.Identity{}) && len(t.Frames) < 1000 {
		t.Frames = append(t.Frames, frame)
		remember(s.frames, frame, sentBy{at: time.Now()})
	}
}

// telling is what the others of a mesh will be told next. The caller holds the lock.
func (s *siblings) telling(mesh string) *link.Taken {
	t := s.tell[mesh]
	if t == nil {
		t = &link.Taken{Mesh: mesh}
		s.tell[mesh] = t
	}
	return t
}

// noteKept notes that a text was taken over, for the other gateways of the meshes that
// it concerns: the one that it was written on, and those that it goes to.
func (b *Bridge) noteKept(m *message.Message, id queue.Identity, to []queue.Delivery) {
	meshes := map[string]bool{}
	if ln := b.sharedLine(m.Mesh); ln != nil && ln.transmits() && !isShadow(to) {
		meshes[m.Mesh] = true
	}
	for _, d := range to {
		if ln := b.byName[d.Link]; ln != nil && ln.vote != nil {
			meshes[ln.meshName()] = true
		}
	}
	for mesh := range meshes {
		b.kin.note(mesh, id, queue.Identity{})
	}
}

func remember[T any](told map[queue.Identity]T, id queue.Identity, what T) {
	if len(told) >= maxTold {
		clear(told)
	}
	told[id] = what
}

// tellTaken tells the others of each mesh what was noted since the last time.
func (b *Bridge) tellTaken(ctx context.Context) {
	b.kin.mu.Lock()
	all := b.kin.tell
	b.kin.tell = map[string]*link.Taken{}
	b.kin.mu.Unlock()
	for _, t := range all {
		t.Gateway = b.own.String()
		for _, ln := range b.trunks() {
			if err := ln.trunk.Took(ctx, *t); err != nil && ctx.Err() == nil {
				b.log.Debug("telling the other gateways of a mesh failed", "link", ln.Name, "mesh", t.Mesh, "err", err)
			}
		}
	}
}

// takenBy notes what another gateway of a mesh has taken over, and ends its shadows
// here.
func (b *Bridge) takenBy(ctx context.Context, t link.Taken) {
	if !b.sharesMesh(t.Mesh) || t.Gateway == b.own.String() {
		return
	}
	b.kin.mu.Lock()
	for _, id := range t.Identities {
		remember(b.kin.taken, id, time.Now())
	}
	for _, id := range t.Frames {
		remember(b.kin.frames, id, sentBy{t.Gateway, time.Now()})
	}
	b.kin.mu.Unlock()
	var seqs []uint64
	since := b.clock.Age().Add(-time.Hour)
	for _, id := range t.Identities {
		if seq, ok, err := b.store.Known(ctx, id, since); err == nil && ok {
			seqs = append(seqs, seq)
		}
	}
	b.endShadows(ctx, seqs, t.Gateway)
	b.acksOverheard(ctx, b.sharedLine(t.Mesh), &t)
}

// sentBy is which gateway transmitted a frame last, and when.
type sentBy struct {
	gateway string // empty: this one
	at      time.Time
}

// isFrame tells whether a gateway of the mesh, this one included, has transmitted a
// text lately.
func (s *siblings) isFrame(m *message.Message) bool {
	_, ok := s.frameBy(m)
	return ok
}

// isMistaken tells whether a text that is handed over is such a frame, which the gateway
// that heard it took for a new text. Where the one that transmitted it has handed it over
// itself, it is what nobody acknowledged.
func (b *Bridge) isMistaken(m *message.Message) bool {
	by, ok := b.kin.frameBy(m)
	return ok && !slices.Contains(m.Hops, cmp.Or(by, b.own.String()))
}

// frameBy finds which gateway has transmitted a text lately.
func (s *siblings) frameBy(m *message.Message) (gateway string, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	by, ok := s.frames[frameHash(m.From, m.To, m.Text)]
	return by.gateway, ok && time.Since(by.at) < toldFor
}

// round notes under which ids the same words came, and since when.
type round struct {
	since time.Time
	ids   []string // no more than mostAlike
}

const (
	// mostAlike is how often the same words to the same addressee may come in ten minutes
	// under different ids of the form of our frame ids.
	mostAlike = 4
	// maxRounds is more than a text channel carries in ten minutes.
	maxRounds = 2000
)

// goesRound tells whether the same words have come too often under ids of the form of our
// frame ids: they may go round over other bridges, and get a new id at each gateway.
func (s *siblings) goesRound(m *message.Message) bool {
	if len(m.OriginID) != frameDigits {
		return false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.rounds) >= maxRounds {
		clear(s.rounds)
	}
	words := frameHash(m.From, m.To, m.Text)
	r := s.rounds[words]
	if time.Since(r.since) > toldFor {
		r = round{since: time.Now()}
	}
	if !slices.Contains(r.ids, m.OriginID) {
		if len(r.ids) >= mostAlike {
			return true
		}
		r.ids = append(r.ids, m.OriginID)
	}
	s.rounds[words] = r
	return false
}

// isTaken tells whether another gateway of the mesh has said that it took over a text
// that was heard some time ago. What it said long before that was about an equal text.
func (s *siblings) isTaken(id queue.Identity, ago time.Duration) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.taken[id]
	return ok && time.Since(at) < ago+sameWithoutID
}
