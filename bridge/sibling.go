package bridge

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
	"posthouse/queue"
)

// Several gateways may serve one mesh. Of them only the transmitter routes what
// the mesh says and transmits to it; the others keep what they hear as shadows,
// in case it falls silent.

const (
	// shadowFor is how long a shadow waits for the transmitter's word.
	shadowFor = 60 * time.Second
	// toldFor is how long word of what others have in hand is remembered, for
	// what is heard only after it.
	toldFor = 10 * time.Minute
	maxTold = 20000
	// tellEvery is how often the transmitter tells what it has in hand.
	tellEvery = time.Second
)

// siblings is what one gateway knows of the others on its meshes.
type siblings struct {
	boot     uint64
	takeOver bool // the shadows need wait no longer; the clerk's alone

	mu     sync.Mutex
	count  uint64
	told   map[queue.Identity]time.Time // what others have in hand, and the frames they sent
	shadow map[queue.Identity]uint64    // frame hash of a shadow -> its record
	tell   map[string]*link.Taken       // by mesh: what is to be told next
}

func newSiblings(now time.Time) *siblings {
	return &siblings{boot: uint64(now.UnixMilli()), told: map[queue.Identity]time.Time{}, shadow: map[queue.Identity]uint64{}, tell: map[string]*link.Taken{}}
}

// transmits tells whether this gateway transmits on a link: on a mesh that it
// shares, only while it is the transmitter.
func (ln *line) transmits() bool { return ln.vote == nil || ln.elected.Load() }

// vote decides for each mesh who transmits.
func (b *Bridge) vote() {
	trunkUp := false
	for _, ln := range b.trunks() {
		trunkUp = trunkUp || ln.up.Load()
	}
	for _, ln := range b.lines {
		if ln.vote == nil {
			continue
		}
		was := ln.elected.Load()
		is := ln.vote.Decide(b.far.table, ln.up.Load(), trunkUp, time.Now())
		ln.elected.Store(is)
		if was == is {
			continue
		}
		if is {
			b.kin.takeOver = true
			b.log.Info("this gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		} else {
			b.log.Info("another gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		}
		ln.courier.Wake()
	}
}

// says is what this gateway announces, a word for each of its meshes; one
// without a mesh still says that it is there.
func (b *Bridge) says() []presence.Say {
	var offers []string
	for _, ln := range b.lines {
		if (ln.Kind == config.KindMail || ln.Kind == config.KindAPRS) && ln.MaySend() && ln.up.Load() && !slices.Contains(offers, ln.Kind) {
			offers = append(offers, ln.Kind)
		}
	}
	b.kin.mu.Lock()
	b.kin.count++
	count := b.kin.count
	b.kin.mu.Unlock()
	base := presence.Say{Call: b.own.String(), Boot: b.kin.boot, Count: count, Offers: offers}
	var out []presence.Say
	for _, ln := range b.lines {
		if ln.Mesh == nil {
			continue
		}
		s := base
		s.Mesh, s.MeshUp, s.Transmits = ln.meshName(), ln.up.Load(), ln.transmits()
		out = append(out, s)
	}
	if len(out) == 0 {
		base.Mesh = "-" // no mesh here
		out = append(out, base)
	}
	return out
}

// gatewaysOf lists the other gateways of a mesh: what comes from them is no new
// text.
func (b *Bridge) gatewaysOf(ln *line) []string {
	if ln.vote == nil {
		return nil
	}
	var out []string
	for _, s := range b.far.table.Living(ln.meshName(), time.Now()) {
		out = append(out, s.Call)
	}
	return out
}

// frameHash names a text as it is seen on the air, whatever its id.
func frameHash(from, to, text string) queue.Identity {
	return identify(&message.Message{From: from, To: to, Text: text})
}

// note has the others of a mesh told that this gateway has a message in hand, or
// transmits a frame.
func (s *siblings) note(mesh string, id, frame queue.Identity) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.tell[mesh]
	if t == nil {
		t = &link.Taken{Mesh: mesh}
		s.tell[mesh] = t
	}
	if id != (queue.Identity{}) && len(t.Identities) < 1000 {
		t.Identities = append(t.Identities, id)
	}
	if frame != (queue.Identity{}) && len(t.Frames) < 1000 {
		t.Frames = append(t.Frames, frame)
	}
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

// takenBy takes in what another gateway of a mesh has in hand: the shadows of it
// end.
func (b *Bridge) takenBy(ctx context.Context, t link.Taken) {
	if !b.sharesMesh(t.Mesh) || t.Gateway == b.own.String() {
		return
	}
	now := time.Now()
	var seqs []uint64
	b.kin.mu.Lock()
	if len(b.kin.told) > maxTold {
		clear(b.kin.told)
	}
	for _, id := range append(slices.Clone(t.Identities), t.Frames...) {
		b.kin.told[id] = now
	}
	for _, f := range t.Frames {
		if seq, ok := b.kin.shadow[f]; ok {
			seqs = append(seqs, seq)
			delete(b.kin.shadow, f)
		}
	}
	b.kin.mu.Unlock()
	since := b.clock.Age().Add(-time.Hour)
	for _, id := range t.Identities {
		if seq, ok, err := b.store.Known(ctx, id, since); err == nil && ok {
			seqs = append(seqs, seq)
		}
	}
	b.endShadows(ctx, seqs, t.Gateway)
}

func (b *Bridge) endShadows(ctx context.Context, seqs []uint64, by string) {
	at := b.stamp()
	var ops []queue.Op
	for _, seq := range seqs {
		ops = append(ops, queue.Op{Seq: seq, Lazy: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			ended := false
			for i := range r.Deliveries {
				if d := &r.Deliveries[i]; d.State == queue.Shadow {
					d.State, d.Ended, ended = queue.Taken, at, true
				}
			}
			if !ended {
				return nil, queue.ErrSkip
			}
			r.Outcome = outcome(r)
			r.Note(at, "taken", "", by+" has it in hand")
			return nil, nil
		}})
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Warn("noting what another gateway has in hand failed", "err", err)
	}
}

// isTold tells whether another gateway of the mesh has said that it has this in
// hand, or has sent it itself.
func (s *siblings) isTold(id queue.Identity) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.told[id]
	return ok && time.Since(at) < toldFor
}

func (b *Bridge) sharesMesh(mesh string) bool {
	return slices.ContainsFunc(b.lines, func(ln *line) bool { return ln.vote != nil && ln.meshName() == mesh })
}

// shadows are the deliveries of a text that the transmitter of its mesh should
// have in hand.
func (b *Bridge) shadows(m *message.Message) []queue.Delivery {
	return []queue.Delivery{{To: m.To, State: queue.Shadow, Due: b.clock.Age().Add(shadowFor)}}
}

// endWaits takes on shadows of which no word came: they are handed to the
// transmitter, or routed here when there is none.
func (b *Bridge) endWaits(ctx context.Context) {
	until := b.clock.Age()
	if b.kin.takeOver {
		until = 1 << 62 // this gateway transmits now, and nobody else will take them
	}
	items, err := b.store.Due(ctx, "", until, atATime)
	if err != nil {
		return
	}
	b.kin.takeOver = b.kin.takeOver && len(items) == atATime
	var ops []queue.Op
	for _, it := range items {
		r, err := b.store.Get(ctx, it.Seq)
		if err != nil || r.Deliveries[it.Delivery].State != queue.Shadow {
			continue
		}
		ops = append(ops, queue.Op{Seq: it.Seq, Change: b.emerge(r, it)})
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Error("taking on what no other gateway took failed, trying again", "err", err)
	}
}

// emerge turns a shadow into deliveries.
func (b *Bridge) emerge(r *queue.Record, it queue.Item) func(*queue.Record) ([]*queue.Record, error) {
	at, m := b.stamp(), r.Message
	mesh := m.Mesh
	var to []queue.Delivery
	how := "routed here, no other gateway of the mesh is alive"
	if g, ok := b.far.table.Transmitter(mesh, time.Now()); ok && g != b.own.String() && len(b.trunks()) > 0 {
		to = []queue.Delivery{{Link: b.trunks()[0].Name, To: m.To, Gateway: g, State: queue.Ready}}
		how = "handed to " + g + ", which had not said a word of it"
	} else {
		var why string
		deliveries, ref := b.route(b.byName[m.Link], &m)
		if ref != nil {
			why = ref.Code + ": " + ref.Why
		}
		if to = deliveries; len(to) == 0 {
			return func(r *queue.Record) ([]*queue.Record, error) {
				r.Deliveries[it.Delivery].Error = why
				return b.end(r, it.Delivery, queue.Failed, at, b.mayTell), nil
			}
		}
	}
	return func(r *queue.Record) ([]*queue.Record, error) {
		if r.Deliveries[it.Delivery].State != queue.Shadow {
			return nil, queue.ErrSkip
		}
		r.Deliveries = append(slices.Delete(r.Deliveries, it.Delivery, it.Delivery+1), to...)
		r.Note(at, "routed", m.Link, how)
		return nil, nil
	}
}

// handOver gives what waits for a mesh to the gateway that transmits there now.
func (b *Bridge) handOver(ctx context.Context) {
	trunks := b.trunks()
	if len(trunks) == 0 {
		return
	}
	for _, ln := range b.lines {
		if ln.vote == nil || ln.transmits() {
			continue
		}
		g, ok := b.far.table.Transmitter(ln.meshName(), time.Now())
		if !ok || g == b.own.String() {
			continue
		}
		if err := b.handOverLink(ctx, ln, trunks[0].Name, g); err != nil && ctx.Err() == nil {
			b.log.Error("handing over to the transmitter failed, trying again", "link", ln.Name, "err", err)
		}
	}
}

// handOverLink hands over up to some of a link's open deliveries.
func (b *Bridge) handOverLink(ctx context.Context, ln *line, trunk, gateway string) error {
	var items []queue.Item
	for _, p := range message.Precedences {
		heads, err := b.store.Heads(ctx, ln.Name, p, b.clock.Age(), 0, atATime)
		if err != nil {
			return err
		}
		items = append(items, heads...)
	}
	due, err := b.store.Due(ctx, ln.Name, 1<<62, atATime)
	if err != nil {
		return err
	}
	at := b.stamp()
	var ops []queue.Op
	for _, it := range append(items, due...) {
		ops = append(ops, queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
			d := &r.Deliveries[it.Delivery]
			if d.Link != ln.Name || d.State != queue.Ready && d.State != queue.Later {
				return nil, queue.ErrSkip
			}
			if b.isGroup(r.Message.To) {
				d.State, d.Link, d.Due = queue.Shadow, "", at.Age.Add(shadowFor) // the transmitter has it from its own trunk
				return nil, nil
			}
			*d = queue.Delivery{Link: trunk, To: d.To, Gateway: gateway, State: queue.Ready, Attempts: d.Attempts}
			r.Note(at, "handed over", ln.Name, fmt.Sprintf("%s transmits for %s", gateway, ln.meshName()))
			return nil, nil
		}})
	}
	if len(ops) == 0 {
		return nil
	}
	_, err = b.store.Apply(ctx, ops...)
	return err
}
