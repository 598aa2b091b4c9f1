package bridge

import (
	"context"
	"errors"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

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

// accepted says what the store made of a new text.
func (b *Bridge) accepted(ctx context.Context, ln *line, m *message.Message, identity queue.Identity, done queue.Done, to []queue.Delivery) link.Verdict {
	if done.Duplicate {
		b.meter.Refused(ln.Name, link.CodeDuplicate)
		if ln.trunk == nil { // the writer itself asks again
			b.repeatReceipt(ctx, done.Seq)
		}
		b.log.Debug("duplicate", "link", ln.Name, "id", b.id(done.Seq), "from", m.From)
		// Of two texts that come together the second is asked for again, see isAnother.
		kept := ln.trunk == nil || !b.isAnother(ctx, ln, done.Seq, m) && b.comesAgain(ctx, done.Seq, m)
		return link.Verdict{ID: b.id(done.Seq), Code: link.CodeDuplicate, Duplicate: true, Kept: kept}
	}
	b.meter.Accepted(ln.Name)
	b.noteKept(m, identity, to)
	if ln.vote != nil {
		b.kin.asks(m, identity)
	}
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
