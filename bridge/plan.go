package bridge

import (
	"cmp"
	"context"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

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
			// Only once the ack is filed: hearing the station releases what is held for it.
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

// onlySends refuses what comes in on a link that only sends. A far gateway is
// told, so that it does not offer it again.
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
	home := b.adopt(ln, m)
	identity, same := b.recognise(ln, home, m)
	identity, seq, known, err := b.known(ctx, ln, m, identity, now.Add(-same))
	if err != nil {
		return plan{err: err}
	}
	if known && b.isAnother(ctx, ln, seq, m) {
		known, same = false, 0
	} else if !known && b.isFiledAlike(ctx, ln, m, identity) {
		known, same = true, sameFor(&ln.Link)
	}
	ours := b.isOurFrame(ctx, m)
	alike := !ours && !known && b.kin.goesRound(m)
	if home != ln && b.isMistaken(m) || ours && m.Handed && ln.trunk != nil {
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
	// A shadow may be another gateway's frame: whether its writer was heard here, that gateway tells us later.
	if (ref == nil || ref.Code != link.CodeLooped && ref.Code != link.CodeNoCallsign) && !(isShadow(deliveries) && b.anotherTransmits(ln)) {
		b.hear(ln, m)
	}
	if ref == nil && alike && m.Precedence != message.Emergency {
		ref = &rules.Refusal{Code: link.CodeTooMany, Why: "the same again and again, wait some minutes"}
	}
	// The rate does not apply to emergencies and repetitions.
	if ref == nil && !known && m.Precedence != message.Emergency && !b.rate.Allow(m.From, now) {
		ref = &rules.Refusal{Code: link.CodeTooMany, Why: "too many messages, wait some minutes"}
	}
	if ref != nil {
		return b.planRefusal(ctx, ln, m, identity, ref)
	}
	if len(deliveries) == 0 {
		return settled(link.Verdict{}) // all addressees have heard it
	}
	return b.planRecord(ctx, ln, m, identity, same, known, deliveries)
}

// planRecord takes over a text that passed all checks.
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
			v := b.accepted(ctx, ln, m, identity, done[0], deliveries)
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

// counted notes which of its sender's allowances a new text has used.
func (b *Bridge) counted(m *message.Message, known bool) *spending {
	spent := &spending{}
	switch {
	case known:
	case m.Precedence == message.Emergency:
		spent.note(b.emergencyRate, m.From)
	default:
		spent.note(b.rate, m.From)
	}
	return spent
}

// recognise normalises the text, and returns its identity and for how long an
// equal text counts as the same.
func (b *Bridge) recognise(ln, home *line, m *message.Message) (queue.Identity, time.Duration) {
	m.Text = rules.Normalise(m.Text)
	m.To = strings.TrimSpace(m.To)
	if c, err := callsign.Parse(m.To); err == nil {
		m.To = c.String()
	} else if !message.IsMail(m.To) {
		m.To = callsign.Upper(m.To)
	}
	return b.identityOf(home, m), sameAs(&ln.Link, m)
}

// sameWithoutID is how long an equal text counts as the same if it has no id.
const sameWithoutID = 2 * time.Minute

// sameAs is how long an equal text counts as the same as this one.
func sameAs(l *config.Link, m *message.Message) time.Duration {
	if m.OriginID == "" {
		return sameWithoutID
	}
	return sameFor(l)
}

// sameFor is how long an equal text with an id counts as the same. For mail it is at least
// the lifetime: a Message-ID is never used again, and a copy of a signed mail can
// be replayed until it is too old.
func sameFor(l *config.Link) time.Duration {
	if l.Mail != nil {
		return max(l.DedupWindow, l.Lifetime)
	}
	return l.DedupWindow
}

// consider judges a normalised text and finds its route: the part of accept that
// needs no disk. It changes only the message and, with count set, the number of
// its sender's emergencies. home is the link on which the text was first heard:
// ln, unless another gateway of the mesh has handed it over.
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
	if home.trunk == nil && (home == ln || b.isUnread(home, m)) { // else the gateway that it came from has done this
		if home != ln || ln.transmits() || !b.isAnswer(ln, m) {
			written := b.clock.Age()
			if home != ln {
				written = b.writtenAt(m)
			}
			if ref := b.address(home, m, written); ref != nil {
				return nil, ref
			}
		}
		if m.To != to { // the rules have not seen the real addressee
			if ref := rules.Check(m, policy); ref != nil {
				return nil, ref
			}
		}
		b.setExercise(m)
		m.Mesh = home.meshName()
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
	// A text that was handed over is ours alone, unless it is to a group.
	if !home.transmits() && (home == ln || b.isGroup(m.To)) {
		return b.shadows(m), nil
	}
	return b.route(home, m)
}

// setFiled sets the filing time to now if there is none, or if it is in the future.
// Not from an untrusted clock: the next gateway might find the text too old.
func (b *Bridge) setFiled(m *message.Message) {
	if now, trusted := b.clock.Wall(); trusted && (m.Filed.IsZero() || m.Filed.After(now)) {
		m.Filed = now
	}
}

// setPrecedence reads the precedence, and lowers an emergency that its sender may
// not declare.
func (b *Bridge) setPrecedence(m *message.Message, count bool) {
	m.Precedence = rules.Precedence(m)
	if m.Precedence == message.Emergency && !b.mayDeclareEmergency(m, count) {
		m.Claimed, m.Precedence = message.Emergency, message.Priority
	}
}
