package bridge

import (
	"cmp"
	"context"
	"errors"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// sameWithoutID is how long a text without an id of its own counts as the same
// as an equal one before it.
const sameWithoutID = 2 * time.Minute

// plan is what accept intends for one message: what to ask of the store, and
// what to answer once the store has spoken.
type plan struct {
	ops    []queue.Op
	answer func([]queue.Done) link.Verdict
	// full is the answer when the store has no room for a new message; empty for
	// what is let into the reserve.
	full link.Verdict
	// text is what is refused then, for the log.
	text     *message.Message
	identity queue.Identity
	// err says that nothing is known about the message: the other side has to try
	// again.
	err error
	// spent is what was taken of allowances for it.
	spent *spending
}

// settled is a plan that needs no store.
func settled(v link.Verdict) plan {
	return plan{answer: func([]queue.Done) link.Verdict { return v }}
}

// accept takes what a link received. It returns when everything is on disk, or
// refused with a reason; all of one call is written in one step.
func (b *Bridge) accept(ctx context.Context, ln *line, in []message.Message) ([]link.Verdict, error) {
	return b.acceptMarked(ctx, ln, nil, in)
}

// markKey is where the marks of trunks are, by link.
const markKey = "mark/"

// acceptMarked is accept, with small values of the link's own that are to be on
// disk in the same step.
func (b *Bridge) acceptMarked(ctx context.Context, ln *line, marks map[string][]byte, in []message.Message) ([]link.Verdict, error) {
	plans := make([]plan, len(in))
	for i := range in {
		m := in[i]
		m.Link = ln.Name
		plans[i] = b.plan(ctx, ln, &m)
	}
	if len(marks) > 0 {
		put := map[string][]byte{}
		for key, v := range marks {
			put[markKey+ln.Name+"/"+key] = v
		}
		plans = append(plans, plan{ops: []queue.Op{{Put: put}}, answer: func([]queue.Done) link.Verdict { return link.Verdict{} }})
	}
	verdicts, err := b.carryOut(ctx, ln, plans)
	verdicts = verdicts[:min(len(verdicts), len(in))]
	if err != nil {
		for _, p := range plans {
			p.spent.giveBack()
		}
		b.log.Error("taking over failed, nothing was confirmed", "link", ln.Name, "messages", len(in), "err", err)
	}
	return verdicts, err
}

// carryOut writes all plans in one step. When the store is full, what frees it
// (receipts, emergencies) is written alone and new texts are refused.
func (b *Bridge) carryOut(ctx context.Context, ln *line, plans []plan) ([]link.Verdict, error) {
	for _, p := range plans {
		if p.err != nil {
			return nil, p.err
		}
	}
	done, err := b.store.Apply(ctx, joined(plans)...)
	if errors.Is(err, queue.ErrFull) {
		for i := range plans {
			if p := &plans[i]; p.full.Code != "" {
				b.refuseFull(ln, p)
			}
		}
		done, err = b.store.Apply(ctx, joined(plans)...)
	}
	if errors.Is(err, queue.ErrFull) {
		return b.carryOutEach(ctx, ln, plans)
	}
	if err != nil {
		return nil, err
	}
	verdicts := make([]link.Verdict, len(plans))
	for i, p := range plans {
		verdicts[i] = p.answer(done[:len(p.ops)])
		done = done[len(p.ops):]
	}
	return verdicts, nil
}

// carryOutEach writes each plan alone when the reserve has no room either, so
// that an emergency too many keeps no receipt out.
func (b *Bridge) carryOutEach(ctx context.Context, ln *line, plans []plan) ([]link.Verdict, error) {
	verdicts := make([]link.Verdict, len(plans))
	for i := range plans {
		p := &plans[i]
		done, err := b.store.Apply(ctx, p.ops...)
		if errors.Is(err, queue.ErrFull) {
			p.full = fullVerdict
			b.refuseFull(ln, p)
			done, err = nil, nil
		}
		if err != nil {
			return nil, err
		}
		verdicts[i], p.spent = p.answer(done), nil // on disk, whatever comes of the others
	}
	return verdicts, nil
}

var fullVerdict = link.Verdict{Code: link.CodeFull, Why: "the gateway's store is full, try later"}

// refuseFull turns a plan into the refusal that the store has no room for it.
func (b *Bridge) refuseFull(ln *line, p *plan) {
	if p.full.Code == link.CodeFull {
		b.kin.fills()
		b.refused(ln, p.text, p.identity, link.CodeFull, fullVerdict.Why)
	}
	p.spent.giveBack()
	*p = settled(p.full)
}

func joined(plans []plan) []queue.Op {
	ops := make([]queue.Op, 0, len(plans))
	for _, p := range plans {
		ops = append(ops, p.ops...)
	}
	return ops
}

// plan decides about one message by its kind.
func (b *Bridge) plan(ctx context.Context, ln *line, m *message.Message) plan {
	if c, err := callsign.Parse(m.From); err == nil {
		m.From = c.String()
	}
	b.meter.LinkHeard(ln.Name, time.Now())
	b.hearsOn(ln)
	if !ln.MayReceive() && !b.answersOurs(m) {
		b.meter.Dropped(ln.Name, "outgoing-only")
		return b.onlySends(ln, m)
	}
	switch m.Kind {
	case message.Custody:
		return b.planCustody(ln, m)
	case message.Receipt:
		if ln.trunk != nil {
			return b.planFarReceipt(ctx, ln, m)
		}
		p := b.planReceipt(ctx, ln, m)
		answer := p.answer
		p.answer = func(done []queue.Done) link.Verdict {
			// Not before the ack is filed, or what it acknowledges goes out once more.
			if !b.anotherTransmits(ln) || b.heard.knows(ln.Name, m.From) {
				b.hear(ln, m)
			}
			return answer(done)
		}
		return p
	case message.Notice:
		if ln.trunk != nil {
			return b.planFarNotice(ctx, ln, m)
		}
	case message.Position:
		b.hear(ln, m)
		b.position(ln, m)
		return settled(link.Verdict{})
	case message.Beacon:
		b.hear(ln, m)
		return settled(link.Verdict{})
	case message.Text:
		return b.planText(ctx, ln, m)
	}
	return settled(link.Verdict{Code: link.CodeNotText, Why: "not a text"})
}

// answersOurs tells whether a message says what became of something that this
// gateway sent: without it a link that only sends would send it again and again.
func (b *Bridge) answersOurs(m *message.Message) bool {
	if m.Kind == message.Notice {
		_, ours := b.seqOf(m.Acks)
		return ours
	}
	return m.Kind == message.Receipt || m.Kind == message.Custody
}

// onlySends turns away what comes in on a link that only sends. A far gateway is
// told, so that it does not ask again.
func (b *Bridge) onlySends(ln *line, m *message.Message) plan {
	ref := &rules.Refusal{Code: link.CodeNotAllowed, Why: "this link only sends"}
	p := settled(link.Verdict{Code: ref.Code, Why: ref.Why})
	if rec := b.refuseBack(m, ref); ln.trunk != nil && m.Kind == message.Text && rec != nil {
		p.ops = []queue.Op{{New: rec, EventFor: time.Hour, Urgent: true}}
	}
	return p
}

// planText decides about a text: a record to be created, or a refusal.
func (b *Bridge) planText(ctx context.Context, ln *line, m *message.Message) plan {
	now := b.clock.Age()
	identity, same := b.recognise(ln, m)
	home := b.adopt(ln, m)
	_, known, err := b.store.Known(ctx, identity, now.Add(-same))
	if err != nil {
		return plan{err: err}
	}
	ours := b.isOurFrame(ctx, m)
	if !ours && !known && len(m.OriginID) == frameDigits {
		ours = b.kin.goesRound(m)
	}
	if home != ln && b.kin.isFrame(m) || ours && m.Handed && ln.trunk != nil {
		return b.planSentBack(ln, m)
	}
	if b.isPart(ln, m) {
		return b.planPart(ctx, ln, m, identity, same, known)
	}
	deliveries, ref := b.consider(ln, home, m, !known)
	if ours {
		ref = &rules.Refusal{Code: link.CodeLooped, Why: "a gateway sent this frame, and another's bridge brought it back"}
	}
	if m.Unfit != nil {
		ref = &rules.Refusal{Code: m.Unfit.Code, Why: m.Unfit.Why}
	}
	// Of a shadow that may be another gateway's frame it is told later who was heard.
	if (ref == nil || ref.Code != link.CodeLooped && ref.Code != link.CodeNoCallsign) && !(isShadow(deliveries) && b.anotherTransmits(ln)) {
		b.hear(ln, m)
	}
	// Emergencies are never refused, and what is known already does not count.
	if ref == nil && !known && m.Precedence != message.Emergency && !b.rate.Allow(m.From, now) {
		ref = &rules.Refusal{Code: link.CodeTooMany, Why: "too many messages, wait some minutes"}
	}
	if ref != nil {
		return b.planRefusal(ctx, ln, m, identity, ref)
	}
	if len(deliveries) == 0 {
		return settled(link.Verdict{}) // all whom it is for have heard it
	}
	return b.planRecord(ctx, ln, m, identity, same, known, deliveries)
}

// planRecord has a text taken over that nothing speaks against.
func (b *Bridge) planRecord(ctx context.Context, ln *line, m *message.Message, identity queue.Identity, same time.Duration, known bool, deliveries []queue.Delivery) plan {
	put := b.remember(m, b.clock.Age())
	r := b.record(m, deliveries)
	r.Identity, r.Event = identity, eventIdentity(m.TrunkID, identity)
	if !b.leads && ln.trunk != nil && isShadow(deliveries) {
		r.Note(b.stamp(), forLeader, ln.Name, m.Via+" handed it over")
	}
	if !known {
		b.nameAhead(ctx, r)
	}
	urgent := m.Precedence == message.Emergency
	var alarm map[string][]byte
	if urgent && !known {
		alarm = b.needsAlarm(m, identity)
	}
	p := plan{
		text: m, identity: identity,
		spent: b.counted(m, known),
		ops:   []queue.Op{{New: r, SameFor: same, EventFor: cmp.Or(m.Left, b.lifetime(deliveries)) + confirmLater, Urgent: urgent}},
		answer: func(done []queue.Done) link.Verdict {
			v := b.accepted(ctx, ln, m, done[0], deliveries)
			if urgent {
				b.alarm(ctx, m, alarm, done[0])
			}
			return v
		},
	}
	if len(put) > 0 {
		p.ops = append(p.ops, queue.Op{Put: put})
	}
	if len(alarm) > 0 {
		p.ops = append(p.ops, queue.Op{Put: alarm, Urgent: true})
	}
	if !urgent {
		p.full = fullVerdict
	}
	return p
}

// counted notes the allowance that a new text takes of its sender's.
func (b *Bridge) counted(m *message.Message, known bool) *spending {
	spent := &spending{}
	switch {
	case known:
	case m.Precedence == message.Emergency:
		spent.note(b.alarms, m.From)
	default:
		spent.note(b.rate, m.From)
	}
	return spent
}

// recognise normalises the text and computes its identity, and for how long an
// equal one is the same.
func (b *Bridge) recognise(ln *line, m *message.Message) (queue.Identity, time.Duration) {
	m.Text = rules.Normalise(m.Text)
	m.To = strings.TrimSpace(m.To)
	if c, err := callsign.Parse(m.To); err == nil {
		m.To = c.String()
	} else if !message.IsMail(m.To) {
		m.To = strings.ToUpper(m.To)
	}
	if m.OriginID == "" {
		return identify(m), sameWithoutID
	}
	return identify(m), sameFor(&ln.Link)
}

// sameFor is how long the same text is recognised as the same. A mail's id never
// wraps, and whoever has a copy of a signed one can hand it in again until it is
// too old.
func sameFor(l *config.Link) time.Duration {
	if l.Mail != nil {
		return max(l.DedupWindow, l.Lifetime)
	}
	return l.DedupWindow
}

// consider judges a normalised text and finds its way; it changes nothing but
// the message, and with count set the number of its sender's emergencies. It
// does all of accept that needs no disk. home is the link on which the text was
// first heard: ln, unless another gateway of the mesh has handed it over.
func (b *Bridge) consider(ln, home *line, m *message.Message, count bool) ([]queue.Delivery, *rules.Refusal) {
	if ln.trunk == nil && (m.Via != "" && ln.props.Radio || m.From == b.own.String()) || ln.vote != nil && b.kin.isFrame(m) {
		return nil, &rules.Refusal{Code: link.CodeLooped, Why: "a gateway sent this frame"}
	}
	if message.IsMail(m.From) && ln.trunk == nil && ln.Kind != config.KindMail {
		return nil, &rules.Refusal{Code: link.CodeNoCallsign, Why: "on radio a mail address is no call sign"}
	}
	policy, to := b.policy(ln), m.To
	if ref := rules.Check(m, policy); ref != nil {
		return nil, ref
	}
	if ln.trunk == nil { // the first gateway has done this for a message that came by a trunk
		if ref := b.address(m); ref != nil {
			return nil, ref
		}
		if m.To != to { // the rules have not seen whom it is really for
			if ref := rules.Check(m, policy); ref != nil {
				return nil, ref
			}
		}
		b.setExercise(m)
		m.Mesh = ln.meshName()
	}
	if message.IsMail(m.To) {
		if _, _, ok := b.table.Address(m.To); !ok || strings.ContainsAny(m.To, " \n") {
			return nil, &rules.Refusal{Code: link.CodeNoRoute, Why: "that is no mail address"}
		}
	}
	b.setPrecedence(m, count)
	b.setFiled(m)
	if b.isForLeader(ln, m) {
		return []queue.Delivery{{To: m.To, State: queue.Shadow, Due: b.clock.Age()}}, nil
	}
	// What was handed over is in nobody else's hands, unless it is to a group.
	if !home.transmits() && (home == ln || b.isGroup(m.To)) {
		return b.shadows(m), nil
	}
	return b.route(home, m)
}

// setFiled gives a text the present as its filing time if it has none, or one to
// come. What a wrong clock says would have the next gateway call it too old.
func (b *Bridge) setFiled(m *message.Message) {
	if now, trusted := b.clock.Wall(); trusted && (m.Filed.IsZero() || m.Filed.After(now)) {
		m.Filed = now
	}
}

// setPrecedence reads the precedence from the text and lowers what its sender
// may not claim.
func (b *Bridge) setPrecedence(m *message.Message, count bool) {
	m.Precedence = rules.Precedence(m)
	if m.Precedence == message.Emergency && !b.mayDeclareEmergency(m, count) {
		m.Claimed, m.Precedence = message.Emergency, message.Priority
	}
}

// record makes the record of a text that is taken over.
func (b *Bridge) record(m *message.Message, deliveries []queue.Delivery) *queue.Record {
	at := b.stamp()
	r := &queue.Record{Message: *m, Accepted: at, Deliveries: deliveries}
	life := b.lifetime(deliveries)
	if m.Left > 0 { // the gateway that handed it over waits no longer, either
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

// lifetime is the longest that any of the deliveries is kept trying.
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

// accepted says what the store made of a new text.
func (b *Bridge) accepted(ctx context.Context, ln *line, m *message.Message, done queue.Done, to []queue.Delivery) link.Verdict {
	if done.Duplicate {
		b.meter.Refused(ln.Name, link.CodeDuplicate)
		if ln.trunk == nil { // the writer itself asks again
			b.repeatReceipt(ctx, done.Seq)
		}
		b.log.Debug("duplicate", "link", ln.Name, "id", b.id(done.Seq), "from", m.From)
		kept := ln.trunk == nil || b.comesAgain(ctx, done.Seq, m)
		return link.Verdict{ID: b.id(done.Seq), Code: link.CodeDuplicate, Duplicate: true, Kept: kept}
	}
	b.meter.Accepted(ln.Name)
	b.noteKept(m, identify(m), to)
	if ln.trunk != nil && m.Handed && b.far.meet(m.Via, ln.Name, true, time.Now()) {
		b.lookFar() // what becomes of it is to be told there
	}
	b.log.Info("accepted", "link", ln.Name, "id", b.id(done.Seq), "from", m.From, "to", m.To,
		"precedence", m.Precedence.String(), "way", b.wayOf(m, to))
	b.lookForHeld(m, to)
	if m.Claimed != message.Unset {
		b.log.Warn("sent as an emergency, goes on as priority", "link", ln.Name, "id", b.id(done.Seq), "from", m.From)
	}
	return link.Verdict{ID: b.id(done.Seq), Kept: true}
}

func isShadow(to []queue.Delivery) bool { return len(to) > 0 && to[0].State == queue.Shadow }

// wayOf tells in a few words where a message goes.
func (b *Bridge) wayOf(m *message.Message, to []queue.Delivery) string {
	var ways []string
	for _, d := range to {
		switch {
		case d.State == queue.Shadow && d.Due <= b.clock.Age():
			ways = append(ways, "kept until the process that leads has decided")
		case d.State == queue.Shadow:
			ways = append(ways, "kept as a shadow, another gateway transmits for this mesh")
		case d.State == queue.Held:
			ways = append(ways, "held until "+d.To+" is heard")
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

// firstLook has a record looked at again: soon, where its writer may be waiting for
// a confirmation, else when its lifetime ends.
func (b *Bridge) firstLook(r *queue.Record, now clock.Age) {
	r.Expires = r.Until
	if m := &r.Message; m.Kind == message.Text && !b.isGroup(m.To) {
		r.Expires = min(r.Until, now.Add(lookAgain(m.Precedence)))
	}
}

// lookAgain is when a message without a confirmation is looked at again: its
// writer is told, and for an emergency a human.
func lookAgain(p message.Precedence) time.Duration {
	if p == message.Emergency {
		return time.Minute
	}
	return 5 * time.Minute
}
