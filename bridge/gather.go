package bridge

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// A text to the gateway itself begins with its address. If another gateway has
// split it, only the first part has the address: the parts are gathered and joined
// before they are routed. Each part is a record of its own, so that a crash loses
// none. If the others do not come in time its writer is told, or, if it may not be
// a part at all, it goes on as it is.

const (
	gatherFor       = 10 * time.Minute // from the last part that came
	gatherUrgentFor = time.Minute      // where a part speaks of an emergency
	maxGatherings   = 500              // texts that wait for parts
	maxGatheredOf   = 20               // parts of one text
)

// gatherings are the texts with missing parts. It is rebuilt from the records at
// the start.
type gatherings struct {
	mu   sync.Mutex
	open map[gatherKey]*gathering

	urgent *rules.Rate // parts of emergencies by sender

	whole []*gathering // complete at the start; the clerk's alone
}

type gatherKey struct {
	link, from, to string
	of             int
}

// gathering is one text: its parts by number.
type gathering struct {
	parts map[int]gathered
	last  clock.Age
}

type gathered struct {
	seq uint64
	m   message.Message
}

func newGatherings() *gatherings {
	return &gatherings{open: map[gatherKey]*gathering{}, urgent: rules.NewRate(urgentParts)}
}

// partOf reads a part's number, as in 1/3. Only exercise marks and a filing time may
// precede it, since people write 1/2 in texts, too. rest is the text after it.
func partOf(m *message.Message) (k, n int, rest string, ok bool) {
	rest = m.Text
	for range 3 {
		word, after, _ := strings.Cut(rest, " ")
		switch {
		case word == "EXERCISE", word == "TEST", isFilingTime(word):
			rest = after
		default:
			k, n, ok = fit.Numbered(word + " ") // this word alone
			return k, n, after, ok && n <= maxGatheredOf
		}
	}
	return 0, 0, "", false
}

// beginsEmergency tells whether a part is the first one of an emergency.
func beginsEmergency(m *message.Message) bool {
	k, _, rest, ok := partOf(m)
	return ok && k == 1 && rules.Precedence(&message.Message{Text: rest}) == message.Emergency
}

// isFilingTime tells whether a word has the form 251405Z.
func isFilingTime(word string) bool {
	return len(word) == 7 && word[6] == 'Z' && strings.Trim(word[:6], "0123456789") == ""
}

func keyOf(m *message.Message, n int) gatherKey { return gatherKey{m.Link, m.From, m.To, n} }

// isPart tells whether a text is a part that has to wait for others: it is to this
// gateway itself, on a link that no other gateway serves.
func (b *Bridge) isPart(ln *line, m *message.Message) bool {
	if ln.trunk != nil || ln.vote != nil || m.Via != "" || message.IsMail(m.From) || m.From == b.own.String() ||
		m.To != b.own.String() && m.To != b.own.Base && m.To != route.Post {
		return false
	}
	_, n, _, ok := partOf(m)
	return ok && b.parts.hasRoom(keyOf(m, n))
}

func (g *gatherings) hasRoom(key gatherKey) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.open[key] != nil || len(g.open) < maxGatherings
}

// add adds a part. If that completes a gathering it is removed and returned. A
// second part of the same number begins a new text; the older parts time out.
func (g *gatherings) add(p gathered, now clock.Age) *gathering {
	k, n, _, ok := partOf(&p.m)
	if !ok {
		return nil
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	key := keyOf(&p.m, n)
	gr := g.open[key]
	if gr == nil || gr.parts[k].seq != 0 && gr.parts[k].seq != p.seq {
		gr = &gathering{parts: map[int]gathered{}}
		g.open[key] = gr
	}
	gr.parts[k], gr.last = p, max(gr.last, now)
	if len(gr.parts) < n {
		return nil
	}
	delete(g.open, key)
	return gr
}

// take returns until when a part may wait. If that time is over it removes the
// gathering.
func (g *gatherings) take(p gathered, now clock.Age) (until clock.Age) {
	_, n, _, _ := partOf(&p.m)
	g.mu.Lock()
	defer g.mu.Unlock()
	key := keyOf(&p.m, n)
	gr := g.open[key]
	if gr == nil || !gr.has(p.seq) {
		return now
	}
	until = gr.last.Add(patience(&p.m))
	if until <= now {
		delete(g.open, key)
	}
	return until
}

func (g *gathering) has(seq uint64) bool {
	for _, p := range g.parts {
		if p.seq == seq {
			return true
		}
	}
	return false
}

// patience is how long a part waits for the others.
func patience(m *message.Message) time.Duration {
	if strings.Contains(m.Text, "EMERGENCY") {
		return gatherUrgentFor
	}
	return gatherFor
}

// urgentParts is how many parts of emergencies a sender may send beyond its rate:
// enough for the emergencies that it may declare.
var urgentParts = rules.Limit{N: rules.Emergencies.N * maxGatheredOf, Per: rules.Emergencies.Per}

// isUrgentPart tells whether a part belongs to an emergency, as far as is known when
// it comes in: it is the first, or the first is here. Then the rate does not apply.
func (b *Bridge) isUrgentPart(m *message.Message, now clock.Age) bool {
	return (beginsEmergency(m) || b.parts.areUrgent(m)) && b.mayDeclareEmergency(m, false) && b.parts.urgent.Allow(m.From, now)
}

// areUrgent tells whether the first part of a part's text begins an emergency.
func (g *gatherings) areUrgent(m *message.Message) bool {
	_, n, _, _ := partOf(m)
	g.mu.Lock()
	defer g.mu.Unlock()
	gr := g.open[keyOf(m, n)]
	if gr == nil {
		return false
	}
	first, ok := gr.parts[1]
	return ok && beginsEmergency(&first.m)
}

// planPart stores a part as a record that waits for the others.
func (b *Bridge) planPart(ctx context.Context, ln *line, m *message.Message, identity queue.Identity, same time.Duration, known bool) plan {
	if ref := rules.Check(m, b.policy(ln)); ref != nil {
		return b.planRefusal(ctx, ln, m, identity, ref)
	}
	b.hear(ln, m)
	now := b.clock.Age()
	urgent := !known && b.isUrgentPart(m, now)
	if !known && !urgent && !b.rate.Allow(m.From, now) {
		return b.planRefusal(ctx, ln, m, identity, &rules.Refusal{Code: link.CodeTooMany, Why: "too many messages, wait some minutes"})
	}
	spent := b.counted(m, known || urgent)
	if urgent {
		spent.note(b.parts.urgent, m.From)
	}
	m.Mesh = ln.meshName()
	b.setFiled(m)
	waits := []queue.Delivery{{To: m.To, State: queue.Gathering, Due: now.Add(patience(m))}}
	r := b.record(m, waits)
	r.Identity = identity
	return plan{
		text: m, identity: identity,
		spent: spent,
		ops:   []queue.Op{{New: r, SameFor: same, EventFor: b.cfg.Lifetime + confirmLater}},
		full:  fullVerdict,
		answer: func(done []queue.Done) (v link.Verdict) {
			v = b.accepted(ctx, ln, m, identity, done[0], waits)
			if !v.Duplicate {
				b.join(ctx, b.parts.add(gathered{done[0].Seq, *m}, now))
			}
			return v
		},
	}
}

// join makes one text of all parts: one commit creates it and ends them. If that
// fails they go on waiting, and it is tried again when their time is over.
func (b *Bridge) join(ctx context.Context, g *gathering) {
	if g == nil {
		return
	}
	p := b.planJoin(ctx, g)
	if p.ops == nil {
		return
	}
	done, err := b.store.Apply(ctx, p.ops...)
	if err != nil {
		p.spent.giveBack()
		b.log.Error("joining the parts of a text failed, trying again", "err", err)
		for _, p := range g.parts {
			b.parts.add(p, g.last)
		}
		return
	}
	p.answer(done)
}

// planJoin plans what join writes; no ops if the parts do not fit together.
func (b *Bridge) planJoin(ctx context.Context, g *gathering) plan {
	var texts []string
	for k := range len(g.parts) {
		texts = append(texts, g.parts[k+1].m.Text)
	}
	whole := g.parts[1].m
	ln := b.byName[whole.Link]
	text, err := fit.Join(texts)
	if err != nil || ln == nil {
		b.log.Info("parts do not belong together, each goes on alone", "link", whole.Link, "from", whole.From, "err", err)
		return plan{}
	}
	whole.Text = rules.Normalise(text)
	for k := 2; k <= len(g.parts); k++ {
		if p := g.parts[k].m; p.OriginID != "" {
			whole.PartIDs = append(whole.PartIDs, p.OriginID)
		}
		if p := g.parts[k].m; p.Filed.Before(whole.Filed) { // the earliest; zero, if one is unknown
			whole.Filed = p.Filed
		}
	}
	identity := b.identityOf(ln, &whole)
	p := b.planWhole(ctx, ln, &whole, identity)
	p.ops = slices.Clone(p.ops)
	at := b.stamp()
	for k := range len(g.parts) {
		p.ops = append(p.ops, queue.Op{Seq: g.parts[k+1].seq, Change: b.endPart(identity, at)})
	}
	return p // its answer looks only at the ops that it had before
}

// planWhole decides about a joined text like about any other.
func (b *Bridge) planWhole(ctx context.Context, ln *line, m *message.Message, identity queue.Identity) plan {
	deliveries, ref := b.consider(ln, ln, m, true)
	if ref != nil {
		return b.planRefusal(ctx, ln, m, identity, ref)
	}
	if len(deliveries) == 0 {
		return settled(link.Verdict{})
	}
	p := b.planRecord(ctx, ln, m, identity, ln.DedupWindow, false, deliveries)
	p.spent = b.counted(m, m.Precedence != message.Emergency) // the rate was counted as its parts came
	return p
}

// endPart ends a part that was joined; its receipt comes with the whole text.
func (b *Bridge) endPart(whole queue.Identity, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	return func(r *queue.Record) ([]*queue.Record, error) {
		if r.Deliveries[0].State != queue.Gathering {
			return nil, queue.ErrSkip
		}
		r.Joined = whole
		r.Note(at, "joined", r.Message.Link, "went on within its whole text")
		return b.end(r, 0, queue.Taken, at, nil), nil
	}
}

// endGathering routes a part as it is, or fails it, if the others have not come in time.
func (b *Bridge) endGathering(r *queue.Record, at queue.Stamp, spent *spending) (queue.Op, bool) {
	until := b.parts.take(gathered{r.Seq, r.Message}, at.Age)
	if until > at.Age {
		return queue.Op{Seq: r.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
			if r.Deliveries[0].State != queue.Gathering {
				return nil, queue.ErrSkip
			}
			r.Deliveries[0].Due = until
			r.Expires = min(r.Until, until)
			return nil, nil
		}}, true
	}
	ln := b.byName[r.Message.Link]
	if ln == nil {
		return queue.Op{Seq: r.Seq, Change: b.expire(at, spent.mayTell(b, &r.Message))}, true
	}
	m := r.Message
	if beginsEmergency(&m) {
		m.Precedence = message.Emergency
	}
	deliveries, ref := b.considerPart(ln, &m)
	var alarms []*queue.Record
	told := untold
	switch {
	case ref != nil:
		told = spent.mayTell(b, &r.Message)
		alarms = b.alarmNotTaken(ln, &m, ref)
	case m.Precedence == message.Emergency:
		spent.note(b.emergencyRate, m.From)
		alarms = b.cameIn(&m, r.Seq)
	}
	return queue.Op{Seq: r.Seq, Change: func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[0]
		if d.State != queue.Gathering {
			return nil, queue.ErrSkip
		}
		r.Note(at, "alone", r.Message.Link, "the other parts of its text have not come")
		if ref != nil || len(deliveries) == 0 {
			if ref != nil {
				d.Code, d.Error = ref.Code, ref.Why
			}
			return append(b.end(r, 0, queue.Failed, at, told.always), alarms...), nil
		}
		r.Message, r.Deliveries = m, slices.Clone(deliveries)
		b.firstLook(r, at.Age)
		return alarms, nil
	}}, true
}

// considerPart decides about a part whose others have not come. If it has no address, or
// is a first part with an address, it is refused, so that its writer sends all of it again:
// half a text must not go on. Anything else may be an answer that only looks like a part.
func (b *Bridge) considerPart(ln *line, m *message.Message) ([]queue.Delivery, *rules.Refusal) {
	k, n, rest, _ := partOf(m)
	missing := fmt.Sprintf("not all %d parts have come, send it again", n)
	if _, _, ok := b.table.Address(rest); ok && k == 1 {
		return nil, &rules.Refusal{Code: link.CodeNoRoute, Why: missing}
	}
	deliveries, ref := b.consider(ln, ln, m, true)
	if ref != nil && ref.Code == link.CodeNoRoute {
		ref.Why = missing
	}
	return deliveries, ref
}

// joinedInto returns the record of the whole text if a record is a part of one, else
// the record itself.
func (b *Bridge) joinedInto(ctx context.Context, seq uint64) uint64 {
	r, err := b.store.Get(ctx, seq)
	if err != nil || r.Joined == (queue.Identity{}) {
		return seq
	}
	if whole, ok, err := b.store.Known(ctx, r.Joined, 0); err == nil && ok {
		return whole
	}
	return seq
}

// loadGatherings reads the parts that wait from the store.
func (b *Bridge) loadGatherings(ctx context.Context) error {
	items, err := b.store.Due(ctx, "", clock.Age(1<<62), maxGatherings*maxGatheredOf)
	if err != nil {
		return err
	}
	for _, it := range items {
		r, err := b.store.Get(ctx, it.Seq)
		if errors.Is(err, queue.ErrDamaged) || errors.Is(err, queue.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		if r.Deliveries[it.Delivery].State != queue.Gathering {
			continue
		}
		if whole := b.parts.add(gathered{r.Seq, r.Message}, r.Accepted.Age); whole != nil {
			b.parts.whole = append(b.parts.whole, whole)
		}
	}
	return nil
}

// joinWhole joins texts that were complete when the gateway stopped.
func (b *Bridge) joinWhole(ctx context.Context) {
	for _, g := range b.parts.whole {
		b.join(ctx, g)
	}
	b.parts.whole = nil
}
