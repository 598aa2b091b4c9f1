package bridge

import (
	"context"
	"errors"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// plan is what accept intends for one message: what to write to the store, and
// the answer once that is written.
type plan struct {
	ops    []queue.Op
	answer func([]queue.Done) link.Verdict
	// full is the answer if the store has no room for a new message; empty for a
	// message that may use the reserve.
	full link.Verdict
	// text is the message that is refused then, for the log; nil: it is none, such as a
	// receipt.
	text     *message.Message
	identity queue.Identity
	// err: the message could not be judged, the other side has to try again.
	err error
	// spent is what the message has used of its sender's allowances.
	spent *spending
}

// settled is a plan that writes nothing.
func settled(v link.Verdict) plan {
	return plan{answer: func([]queue.Done) link.Verdict { return v }}
}

// accept takes what a link received. It returns once each message is on disk or
// refused with a reason; all messages of a call are written in one commit.
func (b *Bridge) accept(ctx context.Context, ln *line, in []message.Message) ([]link.Verdict, error) {
	return b.acceptMarked(ctx, ln, nil, in)
}

// markKey is the prefix of the small values that trunks keep, by link.
const markKey = "mark/"

// acceptMarked is accept, with marks: small values of a trunk's own that have to
// be written in the same commit.
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
		if !errors.Is(err, queue.ErrUncertain) && ctx.Err() == nil { // else it may have been stored, or nobody waits for it
			b.kin.fills()
		}
		b.log.Error("storing messages failed, nothing was confirmed to the sender", "link", ln.Name, "messages", len(in), "err", err)
	}
	return verdicts, err
}

// carryOut writes all plans in one commit. When the store is full, only what may
// use the reserve (receipts, emergencies) is written, and new texts are refused.
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

// carryOutEach writes each plan alone when the reserve is full, too, so that an
// emergency for which there is no room does not keep out a receipt. A receipt for which
// there is none cannot be refused: it is not confirmed, and comes again.
func (b *Bridge) carryOutEach(ctx context.Context, ln *line, plans []plan) ([]link.Verdict, error) {
	verdicts := make([]link.Verdict, len(plans))
	for i := range plans {
		p := &plans[i]
		done, err := b.store.Apply(ctx, p.ops...)
		if errors.Is(err, queue.ErrFull) && p.text != nil {
			p.full = fullVerdict
			b.refuseFull(ln, p)
			done, err = nil, nil
		}
		if err != nil {
			return nil, err
		}
		verdicts[i], p.spent = p.answer(done), nil // on disk, even if a later plan fails
	}
	return verdicts, nil
}

var fullVerdict = link.Verdict{Code: link.CodeFull, Why: "the gateway's store is full, try later"}

// refuseFull turns a plan into a refusal: the store is full.
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

// accepted makes the verdict on a new text from what the store answered.
func (b *Bridge) accepted(ctx context.Context, ln *line, m *message.Message, identity queue.Identity, done queue.Done, to []queue.Delivery) link.Verdict {
	if done.Duplicate {
		b.meter.Refused(ln.Name, link.CodeDuplicate)
		if ln.trunk == nil { // the writer itself has repeated it
			b.repeatReceipt(ctx, done.Seq)
		}
		b.log.Debug("duplicate", "link", ln.Name, "id", b.id(done.Seq), "from", m.From)
		// If this is another text with the same words the sender has to offer it again, see isAnother.
		kept := ln.trunk == nil || !b.isAnother(ctx, ln, done.Seq, m) && b.comesAgain(ctx, done.Seq, m)
		return link.Verdict{ID: b.id(done.Seq), Code: link.CodeDuplicate, Duplicate: true, Kept: kept}
	}
	b.meter.Accepted(ln.Name)
	b.noteKept(m, identity, to)
	if ln.vote != nil {
		b.kin.asks(m, identity)
	}
	if ln.trunk != nil && m.Handed && b.far.meet(m.Via, ln.Name, true, time.Now()) {
		b.lookFar() // that gateway has to be told the outcome
	}
	b.log.Info("accepted", "link", ln.Name, "id", b.id(done.Seq), "from", m.From, "to", m.To,
		"precedence", m.Precedence.String(), "way", b.wayOf(m, to))
	b.lookForHeld(m, to)
	if m.Claimed != message.Unset {
		b.log.Warn("sent as an emergency, goes on as priority", "link", ln.Name, "id", b.id(done.Seq), "from", m.From)
	}
	return link.Verdict{ID: b.id(done.Seq), Kept: true}
}
