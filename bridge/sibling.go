package bridge

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
	"posthouse/bridge/rules"
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
	// hurryFor is for how long after taking over what was on its way to the one
	// that fell silent is looked at again: longer than an outcome waits for the disk.
	hurryFor = 10 * time.Second
	// fullFor is for how long after its store had no room a gateway stands back.
	fullFor = 5 * time.Minute
)

// siblings is what one gateway knows of the others on its meshes.
type siblings struct {
	boot     uint64
	takeOver bool // the shadows need wait no longer; this and the next are the clerk's alone
	tookOver time.Time

	mu     sync.Mutex
	count  uint64
	taken  map[queue.Identity]time.Time // what others have in hand
	frames map[queue.Identity]time.Time // what they transmitted, and what we did
	acked  map[queue.Identity]time.Time // acks that were heard of what we did not send
	tell   map[string]*link.Taken       // by mesh: what is to be told next
	rounds map[queue.Identity]round     // texts with the same words under new ids
	full   time.Time                    // when the store last had no room for a text
}

func newSiblings() *siblings {
	return &siblings{
		taken: map[queue.Identity]time.Time{}, frames: map[queue.Identity]time.Time{}, acked: map[queue.Identity]time.Time{},
		tell: map[string]*link.Taken{}, rounds: map[queue.Identity]round{},
	}
}

const bootKey = "boot"

// loadBoot numbers this start of the gateway: higher than the last one, whatever
// the clock says.
func (b *Bridge) loadBoot(ctx context.Context) error {
	if !b.leads {
		return nil // it does not speak for the gateway
	}
	v, err := b.store.Setting(ctx, bootKey)
	if err != nil {
		return err
	}
	last, _ := strconv.ParseUint(string(v), 10, 64) // none: 0
	b.kin.boot = max(last+1, uint64(max(time.Now().UnixMilli(), 0)))
	_, err = b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{bootKey: strconv.AppendUint(nil, b.kin.boot, 10)}})
	return err
}

// transmits tells whether this gateway transmits on a link: on a mesh that it
// shares, only while it is the transmitter.
func (ln *line) transmits() bool { return ln.vote == nil || ln.elected.Load() }

// vote decides for each mesh who transmits.
func (b *Bridge) vote() {
	c := presence.Condition{Mute: b.isMute()}
	for _, ln := range b.trunks() {
		c.TrunkUp = c.TrunkUp || ln.up.Load()
	}
	for _, ln := range b.lines {
		if ln.vote == nil {
			continue
		}
		was := ln.elected.Load()
		c.MeshUp, c.Standby = ln.up.Load(), b.standsBy(ln)
		is := ln.vote.Decide(b.far.table, c, time.Now())
		ln.elected.Store(is)
		if was == is {
			continue
		}
		if is {
			b.kin.takeOver, b.kin.tookOver = true, time.Now()
			b.log.Info("this gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		} else {
			b.log.Info("another gateway transmits for the mesh", "link", ln.Name, "mesh", ln.meshName())
		}
		ln.courier.Wake()
	}
}

// isMute tells whether this gateway cannot announce itself.
func (b *Bridge) isMute() bool {
	return !slices.ContainsFunc(b.trunks(), func(ln *line) bool { return ln.MaySend() && !b.control.isQuiet(ln.Name) })
}

// standsBy tells whether another gateway of the mesh should transmit there, if
// there is one: this one does not hear the mesh, may not transmit, or can take
// nothing over.
func (b *Bridge) standsBy(ln *line) bool {
	return !ln.MaySend() || !ln.MayReceive() || b.control.isQuiet(ln.Name) || b.kin.isFull()
}

// fills notes that the store has no room for a text.
func (s *siblings) fills() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.full = time.Now()
}

// isFull tells whether the store had no room for a text lately.
func (s *siblings) isFull() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.full.IsZero() && time.Since(s.full) < fullFor
}

// hush has the trunks that the operator silenced say nothing at all, and lets the
// others speak.
func (b *Bridge) hush() {
	for _, ln := range b.trunks() {
		ln.trunk.Hush(b.control.isQuiet(ln.Name))
	}
}

// says is what this gateway announces, a word for each of its meshes; one
// without a mesh still says that it is there.
func (b *Bridge) says() []presence.Say {
	var offers []string
	for _, ln := range b.lines {
		if (ln.Kind == config.KindMail || ln.Kind == config.KindAPRS) && ln.MaySend() && ln.up.Load() && !b.kin.isFull() && !slices.Contains(offers, ln.Kind) {
			offers = append(offers, ln.Kind)
		}
		if ln.APRS != nil && ln.gated.every > 0 && (&carrier{b: b, ln: ln}).Open() && !slices.Contains(offers, offersPositions) {
			offers = append(offers, offersPositions)
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
		s.Mesh, s.MeshUp, s.Transmits, s.Standby = ln.meshName(), ln.up.Load(), ln.transmits(), b.standsBy(ln)
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
	t := s.telling(mesh)
	if id != (queue.Identity{}) && len(t.Identities) < 1000 {
		t.Identities = append(t.Identities, id)
	}
	if frame != (queue.Identity{}) && len(t.Frames) < 1000 {
		t.Frames = append(t.Frames, frame)
		remember(s.frames, frame)
	}
}

// telling is what the others of a mesh are told next. The caller holds the lock.
func (s *siblings) telling(mesh string) *link.Taken {
	t := s.tell[mesh]
	if t == nil {
		t = &link.Taken{Mesh: mesh}
		s.tell[mesh] = t
	}
	return t
}

// noteKept has the other gateways of each mesh that a text concerns told that it
// is in hand here: the mesh it was written on, and those it goes to.
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

func remember(told map[queue.Identity]time.Time, id queue.Identity) {
	if len(told) >= maxTold {
		clear(told)
	}
	told[id] = time.Now()
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
	b.kin.mu.Lock()
	for _, id := range t.Identities {
		remember(b.kin.taken, id)
	}
	for _, id := range t.Frames {
		remember(b.kin.frames, id)
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
		b.log.Warn("noting what another gateway has in hand failed", "err", err)
	}
}

// hearShadow notes the writer of a shadow as heard, now that the text is known to
// be its own and not a transmission of another gateway.
func (b *Bridge) hearShadow(r *queue.Record) {
	if r == nil || message.IsMail(r.Message.From) {
		return
	}
	if ln := b.byName[r.Message.Link]; ln != nil && ln.vote != nil && r.Message.Via == "" {
		b.heard.markAt(ln.Name, &r.Message, r.Accepted.Age)
	}
}

// anotherTransmits tells whether another gateway is alive that transmits on a
// link's mesh. Then what is heard there may be its transmission, too.
func (b *Bridge) anotherTransmits(ln *line) bool {
	if ln.vote == nil || ln.transmits() {
		return false
	}
	_, ok := b.far.table.Transmitter(ln.meshName(), time.Now())
	return ok
}

// isFrame tells whether a gateway of the mesh, this one included, has transmitted
// this lately.
func (s *siblings) isFrame(m *message.Message) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.frames[frameHash(m.From, m.To, m.Text)]
	return ok && time.Since(at) < toldFor
}

// round is how often the same words came under new ids, and since when.
type round struct {
	since time.Time
	n     int
}

// mostAlike is how often somebody may write the same to somebody in ten minutes, each
// time under an id like those of frames.
const mostAlike = 4

// goesRound tells whether a text with an id like those of frames has come too often under
// others like it: it goes round over bridges of somebody else's, and each gateway on its
// way names it anew.
func (s *siblings) goesRound(m *message.Message) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.rounds) >= maxTold {
		clear(s.rounds)
	}
	words := frameHash(m.From, m.To, m.Text)
	r := s.rounds[words]
	if time.Since(r.since) > toldFor {
		r = round{since: time.Now()}
	}
	r.n++
	s.rounds[words] = r
	return r.n > mostAlike
}

// isTaken tells whether another gateway of the mesh has said that it has a text
// in hand that was heard some time ago. Word of an equal text that was heard long
// before does not count.
func (s *siblings) isTaken(id queue.Identity, ago time.Duration) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	at, ok := s.taken[id]
	return ok && time.Since(at) < ago+sameWithoutID
}

func (b *Bridge) sharesMesh(mesh string) bool {
	return slices.ContainsFunc(b.lines, func(ln *line) bool { return ln.vote != nil && ln.meshName() == mesh })
}

// shadows are the deliveries of a text that the transmitter of its mesh should
// have in hand.
func (b *Bridge) shadows(m *message.Message) []queue.Delivery {
	return []queue.Delivery{{To: m.To, State: queue.Shadow, Due: b.clock.Age().Add(shadowFor)}}
}

// hurry has the trunks look again at what was on its way to gateways that are not
// alive: this gateway has just become a mesh's transmitter in the place of one.
func (b *Bridge) hurry(ctx context.Context) {
	at := b.stamp()
	for _, ln := range b.trunks() {
		items, err := b.store.Due(ctx, ln.Name, 1<<62, atATime)
		if err != nil {
			return
		}
		var ops []queue.Op
		for _, it := range items {
			ops = append(ops, queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
				d := &r.Deliveries[it.Delivery]
				if d.State != queue.Later || d.Link != ln.Name || d.Due <= at.Age || b.far.table.IsAlive(d.Gateway, time.Now()) {
					return nil, queue.ErrSkip
				}
				d.Due = at.Age
				return nil, nil
			}})
		}
		if len(ops) == 0 {
			continue
		}
		if _, err := b.store.Apply(ctx, ops...); err != nil {
			b.log.Warn("looking again at what was on its way to a gateway that fell silent failed", "link", ln.Name, "err", err)
		}
		ln.courier.Wake()
	}
}

// endWaits takes on shadows of which no word came: they are handed to the
// transmitter, or routed here when there is none.
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
		ops = append(ops, queue.Op{Seq: it.Seq, Change: b.emerge(r, it, spent)})
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		spent.giveBack()
		b.log.Error("taking on what no other gateway took failed, trying again", "err", err)
	}
}

// emerge turns a shadow into deliveries, or ends it when word of it came after
// all.
func (b *Bridge) emerge(r *queue.Record, it queue.Item, spent *spending) func(*queue.Record) ([]*queue.Record, error) {
	at, tell := b.stamp(), spent.tell(b)
	if ln := b.byName[r.Message.Link]; ln != nil && hasStep(r, forLeader) && !hasStep(r, decided) {
		return b.decideForHelper(ln, r, it, at, tell)
	}
	if b.kin.isFrame(&r.Message) || b.kin.isTaken(r.Identity, at.Age.Sub(r.Accepted.Age)) || b.kin.wasAcked(&r.Message) {
		return func(r *queue.Record) ([]*queue.Record, error) { return b.endShadow(r, it, queue.Taken, "", at, tell) }
	}
	b.hearShadow(r)
	to, what, how, ref := b.wayOfShadow(r)
	switch {
	case ref != nil:
		return func(r *queue.Record) ([]*queue.Record, error) {
			return b.endShadow(r, it, queue.Failed, ref.Code+": "+ref.Why, at, tell)
		}
	case len(to) == 0: // everybody it is for has heard it
		return func(r *queue.Record) ([]*queue.Record, error) { return b.endShadow(r, it, queue.Sent, "", at, tell) }
	}
	return func(r *queue.Record) ([]*queue.Record, error) {
		if r.Deliveries[it.Delivery].State != queue.Shadow {
			return nil, queue.ErrSkip
		}
		r.Deliveries[it.Delivery] = to[0] // in its place: others of the record may be on their way
		r.Deliveries = append(r.Deliveries, to[1:]...)
		r.Note(at, what, r.Message.Link, how)
		return nil, nil
	}
}

func (b *Bridge) endShadow(r *queue.Record, it queue.Item, as queue.State, why string, at queue.Stamp, tell func(*message.Message) telling) ([]*queue.Record, error) {
	if r.Deliveries[it.Delivery].State != queue.Shadow {
		return nil, queue.ErrSkip
	}
	r.Deliveries[it.Delivery].Error = why
	return b.end(r, it.Delivery, as, at, tell), nil
}

// wayOfShadow finds the way of a shadow of which nobody said a word: to the
// mesh's transmitter when one is alive, else on from here, but not where the
// record has been already.
func (b *Bridge) wayOfShadow(r *queue.Record) (to []queue.Delivery, what, how string, ref *rules.Refusal) {
	m := r.Message
	if g, ok := b.ahead(b.sharedLine(b.shadowMesh(&m))); ok {
		return []queue.Delivery{{Link: b.trunkTo(g), To: m.To, Gateway: g, State: queue.Ready}}, handedOver, "to " + g + ", which had not said a word of it", nil
	}
	all, ref := b.route(b.byName[m.Link], &m)
	for _, d := range all {
		if !slices.ContainsFunc(r.Deliveries, func(o queue.Delivery) bool { return o.State != queue.Shadow && o.Link == d.Link && o.To == d.To }) {
			to = append(to, d)
		}
	}
	return to, "routed", "no other gateway of the mesh is alive", ref
}

// shadowMesh is the mesh whose transmitter should have a shadow in hand: the one
// it was heard on, or for a group text from a trunk one that it would go out on.
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

// ahead gives the gateway to which goes what is for a mesh that this one shares:
// none while this one transmits there, or while nobody does and it is the next.
func (b *Bridge) ahead(ln *line) (string, bool) {
	if ln == nil || ln.transmits() {
		return "", false
	}
	own := presence.Say{Mesh: ln.meshName(), Call: b.own.String(), MeshUp: ln.up.Load() && !b.isMute(), Standby: b.standsBy(ln)}
	return b.far.table.Ahead(own, time.Now())
}

// handedOver is the step of a record that was given to the transmitter of a mesh.
const handedOver = "handed over"

// handOverEvery is how often what waits for a mesh is looked through where nothing
// new came: acks are awaited there that do not come.
const handOverEvery = 5 * time.Second

// handOver gives what waits for a mesh to the gateway that transmits there now.
func (b *Bridge) handOver(ctx context.Context) {
	for _, ln := range b.lines {
		if ln.vote == nil {
			continue
		}
		g, ok := b.ahead(ln)
		if !ok {
			ln.handed = time.Time{}
			continue
		}
		if news := ln.news.Swap(false); !news && time.Since(ln.handed) < handOverEvery {
			continue
		}
		ln.handed = time.Now()
		if err := b.handOverLink(ctx, ln, g); err != nil && ctx.Err() == nil {
			b.log.Error("handing over to the transmitter failed, trying again", "link", ln.Name, "err", err)
		}
	}
}

// handOverLink hands over some of a link's open deliveries, the most urgent ones
// first; the clerk comes again for the rest.
func (b *Bridge) handOverLink(ctx context.Context, ln *line, gateway string) error {
	items, err := b.waiting(ctx, ln)
	if err != nil {
		return err
	}
	at, trunk := b.stamp(), b.trunkTo(gateway)
	var ops []queue.Op
	for _, it := range items {
		ops = append(ops, queue.Op{Seq: it.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
			d := &r.Deliveries[it.Delivery]
			if d.Link != ln.Name || !waits(d) || awaitsAck(d, at.Age) {
				return nil, queue.ErrSkip
			}
			if b.isGroup(r.Message.To) {
				d.State, d.Link, d.Due = queue.Shadow, "", at.Age.Add(shadowFor) // the transmitter has it from its own trunk
				return nil, nil
			}
			*d = queue.Delivery{Link: trunk, To: d.To, Gateway: gateway, State: queue.Ready, Attempts: d.Attempts}
			r.Note(at, handedOver, ln.Name, fmt.Sprintf("%s transmits for %s", gateway, ln.meshName()))
			return nil, nil
		}})
	}
	if len(ops) == 0 {
		return nil
	}
	_, err = b.store.Apply(ctx, ops...)
	return err
}

// awaitsAck tells whether a delivery is on the air and its ack may still come, to
// the frame ids that this gateway gave: the clerk comes again when it does not.
func awaitsAck(d *queue.Delivery, now clock.Age) bool {
	return d.State == queue.Later && d.Begun && now < d.Due && len(d.Parts) > 0 && d.Parts[0].ID != ""
}

// waiting lists what of a link has still to be sent, or to be sent again.
func (b *Bridge) waiting(ctx context.Context, ln *line) ([]queue.Item, error) {
	items, err := b.store.Due(ctx, ln.Name, 1<<62, atATime)
	if err != nil {
		return nil, err
	}
	for _, p := range message.Precedences {
		heads, err := b.store.Heads(ctx, ln.Name, p, b.clock.Age(), 0, atATime)
		if err != nil {
			return nil, err
		}
		for _, head := range heads {
			items = append(items, head)
			r, err := b.store.Get(ctx, head.Seq)
			if err != nil || len(items) > 4*atATime {
				continue
			}
			behind, err := b.store.Behind(ctx, r.LaneOf(&r.Deliveries[head.Delivery]), head.Seq, atATime)
			if err != nil {
				return nil, err
			}
			items = append(items, behind...)
		}
	}
	return items, nil
}
