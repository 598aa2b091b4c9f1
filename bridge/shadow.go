package bridge

import (
	"context"
	"slices"
	"time"

	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// A shadow is a text that the transmitter of its mesh should have taken over, too. It
// ends when the transmitter says so; else it is handed to the transmitter, or routed here.

// shadowFor is how long a shadow waits for the transmitter's word.
const shadowFor = 60 * time.Second

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
		}, Then: func(d queue.Done) { b.hearShadow(d.Record) }})
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Warn("filing what another gateway has taken over failed", "err", err)
	}
}

// hearShadow notes the writer of a shadow as heard, now that the text is known not to
// be a transmission of another gateway.
func (b *Bridge) hearShadow(r *queue.Record) {
	if r == nil || message.IsMail(r.Message.From) {
		return
	}
	if ln := b.byName[r.Message.Link]; ln != nil && ln.vote != nil && r.Message.Via == "" {
		b.heard.markAt(ln.Name, &r.Message, r.Accepted.Age)
	}
}

// shadows are the deliveries of a text that the transmitter of its mesh should have
// taken over.
func (b *Bridge) shadows(m *message.Message) []queue.Delivery {
	return []queue.Delivery{{To: m.To, State: queue.Shadow, Due: b.clock.Age().Add(shadowFor)}}
}

// endWaits takes up shadows of which the transmitter has said nothing: they are handed
// to it, or routed here if there is none.
func (b *Bridge) endWaits(ctx context.Context) {
	until := b.clock.Age()
	if b.kin.takeOver {
		until = 1 << 62 // this gateway transmits now, and nobody else will take them
	}
	if time.Since(b.kin.tookOver) < hurryFor {
		b.hurry(ctx)
	}
	items, err := b.store.Due(ctx, "", until, atATime)
	if err != nil {
		return
	}
	b.kin.takeOver = b.kin.takeOver && len(items) == atATime
	var ops []queue.Op
	spent := &spending{}
	for _, it := range items {
		r, err := b.store.Get(ctx, it.Seq)
		if err != nil || r.Deliveries[it.Delivery].State != queue.Shadow {
			continue
		}
		change, put := b.emerge(ctx, r, it, spent)
		ops = append(ops, queue.Op{Seq: it.Seq, Change: change})
		if len(put) > 0 {
			ops = append(ops, queue.Op{Put: put})
		}
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		spent.giveBack()
		b.log.Error("routing what no other gateway has taken over failed, trying again", "err", err)
	}
}

// emerge turns a shadow into deliveries, or ends it if word of it has come after all. It
// also returns small values to be written with that.
func (b *Bridge) emerge(ctx context.Context, r *queue.Record, it queue.Item, spent *spending) (func(*queue.Record) ([]*queue.Record, error), map[string][]byte) {
	at, tell := b.stamp(), spent.tell(b)
	if ln := b.byName[r.Message.Link]; ln != nil && hasStep(r, forLeader) && !hasStep(r, decided) {
		return b.decideForHelper(ln, r, it, at, tell), nil
	}
	ago := at.Age.Sub(r.Accepted.Age)
	taken := func(r *queue.Record) ([]*queue.Record, error) {
		return b.endShadow(r, it, queue.Taken, "", at, tell)
	}
	if b.kin.isFrame(&r.Message) || b.kin.isTaken(r.Identity, ago) || b.kin.wasAcked(&r.Message, r.Identity, ago) {
		return taken, nil
	}
	b.hearShadow(r)
	m := r.Message
	to, what, how, ref := b.wayOfShadow(r, &m)
	switch {
	case ref != nil:
		return func(r *queue.Record) ([]*queue.Record, error) {
			return b.endShadow(r, it, queue.Failed, ref.Code+": "+ref.Why, at, tell)
		}, nil
	case len(to) == 0: // all addressees have heard it
		return func(r *queue.Record) ([]*queue.Record, error) { return b.endShadow(r, it, queue.Sent, "", at, tell) }, nil
	}
	var put map[string][]byte
	if m.Written != r.Message.Written { // only now it has the identity that it has where it was read at once
		read := identify(&m)
		_, known, err := b.store.Known(ctx, read, r.Accepted.Age.Add(-sameAs(&b.sharedLine(m.Mesh).Link, &m)))
		if err == nil && known || b.kin.isTaken(read, ago) {
			return taken, nil
		}
		put = b.remember(&m, at.Age)
		if m.Text != r.Message.Text {
			return b.readAnew(it, &m, read, to), put
		}
	}
	return func(r *queue.Record) ([]*queue.Record, error) {
		if r.Deliveries[it.Delivery].State != queue.Shadow {
			return nil, queue.ErrSkip
		}
		readAs(r, &m)
		r.Deliveries[it.Delivery] = to[0] // in its place: others of the record may be on their way
		r.Deliveries = append(r.Deliveries, to[1:]...)
		r.Note(at, what, r.Message.Link, how)
		return nil, nil
	}, put
}

// readAnew makes a record of its own of a shadow that begins with its address: when it was
// heard this gateway did not know yet that it was written to another gateway of the mesh.
// So it has the identity here that it has there, and is known when it is handed over.
func (b *Bridge) readAnew(it queue.Item, m *message.Message, identity queue.Identity, to []queue.Delivery) func(*queue.Record) ([]*queue.Record, error) {
	at := b.stamp()
	b.setPrecedence(m, true)
	if rules.Real(m.Text) {
		m.Exercise = ""
	}
	read := b.record(m, to)
	read.Identity = identity
	var alarms []*queue.Record
	if m.Precedence == message.Emergency {
		alarms = b.cameIn(m, it.Seq)
	}
	return func(r *queue.Record) ([]*queue.Record, error) {
		if r.Deliveries[it.Delivery].State != queue.Shadow {
			return nil, queue.ErrSkip
		}
		r.Joined = identity
		r.Note(at, "read", m.Link, "it is for "+m.To)
		read.Until = r.Until
		read.Expires = min(read.Expires, r.Until)
		return append(append(b.end(r, it.Delivery, queue.Taken, at, nil), read), alarms...), nil
	}
}

func (b *Bridge) endShadow(r *queue.Record, it queue.Item, as queue.State, why string, at queue.Stamp, tell func(*message.Message) telling) ([]*queue.Record, error) {
	if r.Deliveries[it.Delivery].State != queue.Shadow {
		return nil, queue.ErrSkip
	}
	r.Deliveries[it.Delivery].Error = why
	return b.end(r, it.Delivery, as, at, tell), nil
}

// wayOfShadow finds the way of a shadow that nobody has taken over: to the mesh's
// transmitter if one is alive, else on from here, but not where the record has been
// already. It finds the addressee of an answer, and sets it in m.
func (b *Bridge) wayOfShadow(r *queue.Record, m *message.Message) (to []queue.Delivery, what, how string, ref *rules.Refusal) {
	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(m))); ok {
		return []queue.Delivery{{Link: b.trunkTo(g), To: m.To, Gateway: g, State: queue.Ready}}, handedOver, "to " + g + ", which had not said a word of it", nil
	}
	if ref = b.readLate(b.sharedLine(m.Mesh), m, r.Accepted.Age); ref != nil {
		return nil, "", "", ref
	}
	all, ref := b.route(b.byName[m.Link], m)
	for _, d := range all {
		if !slices.ContainsFunc(r.Deliveries, func(o queue.Delivery) bool { return o.State != queue.Shadow && o.Link == d.Link && o.To == d.To }) {
			to = append(to, d)
		}
	}
	return to, "routed", "no other gateway of the mesh can take it", ref
}

// shadowMesh is the mesh whose transmitter should have taken a shadow over: the one on
// which it was heard, or for a group text from a trunk one on which it would go out.
func (b *Bridge) shadowMesh(m *message.Message) string {
	if b.sharesMesh(m.Mesh) {
		return m.Mesh
	}
	for _, ln := range b.lines {
		if ln.vote != nil && !ln.transmits() {
			return ln.meshName()
		}
	}
	return m.Mesh
}
