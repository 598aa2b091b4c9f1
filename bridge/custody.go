package bridge

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// confirmLater is how long after a message's lifetime its end-to-end receipt may
// still come, once another gateway has it.
const confirmLater = time.Hour

// seqOf reads one of our own ids.
func (b *Bridge) seqOf(id string) (uint64, bool) {
	n, ok := strings.CutPrefix(id, b.own.String()+".")
	if !ok {
		return 0, false
	}
	seq, err := strconv.ParseUint(n, 10, 64)
	return seq, err == nil && strconv.FormatUint(seq, 10) == n
}

// passedBy finds the delivery of a record that was handed to a gateway, or to
// another of its mesh.
func (b *Bridge) passedBy(r *queue.Record, gateway string) int {
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.Gateway != "" && (d.Gateway == gateway || b.far.table.Siblings(d.Gateway, gateway)) {
			return i
		}
	}
	return -1
}

// planCustody files that a far gateway has taken a message over: the duty is
// there now, the writer is still to hear what becomes of it.
func (b *Bridge) planCustody(ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		b.meter.Dropped(ln.Name, "unknown-receipt")
		return settled(link.Verdict{})
	}
	at := b.stamp()
	return plan{
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			i := b.passedBy(r, m.From)
			if i < 0 || !r.Deliveries[i].State.Open() || r.Deliveries[i].State == queue.Passed {
				return nil, queue.ErrSkip
			}
			d := &r.Deliveries[i]
			if m.Nak {
				d.Code, d.Error = codeNak, m.Text
				return b.end(r, i, queue.Failed, at, b.mayTell), nil
			}
			if r.Message.Kind != message.Text { // receipts and notices ask for no more
				return b.end(r, i, queue.Delivered, at, nil), nil
			}
			r.Until = r.Until.Add(confirmLater)
			r.Expires = r.Until
			d.State, d.Due, d.Begun = queue.Passed, r.Until, true
			r.Note(at, "passed on", ln.Name, m.From+" has it")
			return nil, nil
		}}},
		answer: func(done []queue.Done) link.Verdict {
			ln.courier.Wake()
			if done[0].Err == nil {
				b.meter.Delivery(ln.Name, "passed")
				b.log.Info("passed on", "link", ln.Name, "id", m.Acks, "gateway", m.From)
			}
			return link.Verdict{ID: m.Acks}
		},
	}
}

// planFarReceipt files an end-to-end receipt that came by a trunk: for a message
// that we passed on, or for a station here whose receipt another gateway of its
// mesh hands to us to transmit.
func (b *Bridge) planFarReceipt(ctx context.Context, ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		return b.planRelay(ctx, ln, m)
	}
	at := b.stamp()
	var state queue.State
	return plan{
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			i := b.passedBy(r, m.Via)
			if i < 0 || r.Deliveries[i].State == queue.Delivered || r.Deliveries[i].State == queue.Dropped {
				return nil, queue.ErrSkip
			}
			d := &r.Deliveries[i]
			state = queue.Delivered
			if m.Nak {
				if d.State == queue.Failed {
					return nil, queue.ErrSkip
				}
				state, d.Code, d.Error = queue.Failed, codeNak, m.Text
			}
			d.Begun = true
			for k := range d.Parts {
				d.Parts[k].Acked = !m.Nak
			}
			return b.end(r, i, state, at, b.mayTell), nil
		}}},
		answer: func(done []queue.Done) link.Verdict {
			if done[0].Err == nil {
				i := b.passedBy(done[0].Record, m.Via)
				b.ended(done[0].Record, i)
				b.log.Info("receipt", "link", ln.Name, "id", m.Acks, "from", m.From, "gateway", m.Via, "nak", m.Nak, "state", string(state))
			}
			return link.Verdict{ID: m.Acks, Kept: true}
		},
	}
}

// planRelay takes over a notice or a station's receipt that another gateway of
// this mesh may not transmit itself.
func (b *Bridge) planRelay(_ context.Context, ln *line, m *message.Message) plan {
	to := b.meshOf(m.To)
	if to == nil {
		b.meter.Dropped(ln.Name, "unknown-receipt")
		return settled(link.Verdict{Kept: true}) // nothing can be done for it here or later
	}
	at := b.stamp()
	r := &queue.Record{Message: *m, Accepted: at, Until: at.Age.Add(receiptLifetime), Event: eventIdentity(m.TrunkID)}
	r.Expires = r.Until
	r.Deliveries = []queue.Delivery{{Link: to.Name, To: m.To, State: queue.Ready}}
	return plan{
		ops: []queue.Op{{New: r, EventFor: receiptLifetime + confirmLater, Urgent: true}},
		answer: func(done []queue.Done) link.Verdict {
			return link.Verdict{ID: b.id(done[0].Seq), Duplicate: done[0].Duplicate, Kept: true}
		},
	}
}

// meshOf finds the mesh link on which a station was heard last.
func (b *Bridge) meshOf(call string) *line {
	for _, e := range b.heard.find(call) {
		if ln := b.byName[e.link]; ln != nil && ln.props.Radio && ln.MaySend() {
			return ln
		}
	}
	return nil
}

// eventIdentity names a trunk event, by which its copies are known.
func eventIdentity(id string) queue.Identity {
	if id == "" {
		return queue.Identity{}
	}
	return identify(&message.Message{OriginID: id})
}

// reopen takes a message back that this gateway passed on and that has come back
// to it: its addressee roams. It is routed afresh.
func (b *Bridge) reopen(ctx context.Context, seq uint64, m *message.Message) bool {
	at := b.stamp()
	kept := false
	_, err := b.store.Apply(ctx, queue.Op{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		kept = r.Outcome != ""
		for i := range r.Deliveries {
			d := &r.Deliveries[i]
			kept = kept || d.State.Open() && d.State != queue.Passed
			if d.State != queue.Passed || len(m.Hops) <= len(r.Message.Hops) {
				continue
			}
			kept = true
			r.Message.Hops = m.Hops
			r.Returned = append(r.Returned, queue.Return{Link: m.Link, Gateway: m.Via, TrunkID: m.TrunkID})
			*d = queue.Delivery{To: d.To, State: queue.Held, Attempts: d.Attempts}
			r.Note(at, "came back", m.Link, fmt.Sprintf("from %s, routed afresh", m.Via))
		}
		if !kept {
			return nil, queue.ErrSkip
		}
		return nil, nil
	}})
	return err == nil && kept
}

// reportBack tells the gateway that passed a message to us what became of it: an
// end-to-end receipt, or a refusal with its reason. Its own record knows who
// wrote it.
func (b *Bridge) reportBack(r *queue.Record, at queue.Stamp) []*queue.Record {
	m := &r.Message
	back := append([]queue.Return{{Link: m.Link, Gateway: m.Via, TrunkID: m.TrunkID}}, r.Returned...)
	why := ""
	switch r.Outcome {
	case queue.Delivered:
	case queue.Failed, queue.Expired, queue.Dropped:
		why = failedWhy(r)
	default:
		return nil
	}
	var out []*queue.Record
	for _, to := range back {
		if to.TrunkID != "" {
			out = append(out, b.farReceipt(r, to, at, why))
		}
	}
	return out
}

// farReceipt makes an end-to-end receipt for another gateway; a reason makes it
// a refusal.
func (b *Bridge) farReceipt(r *queue.Record, to queue.Return, at queue.Stamp, why string) *queue.Record {
	m := &r.Message
	out := &queue.Record{
		About: r.Seq, Accepted: at, Until: at.Age.Add(farReceiptLifetime),
		Message: message.Message{
			Kind: message.Receipt, From: m.To, To: m.From, Acks: to.TrunkID, Nak: why != "", Text: why,
			Precedence: m.Precedence, Filed: at.Wall,
		},
		Deliveries: []queue.Delivery{{Link: to.Link, To: m.From, Gateway: to.Gateway, State: queue.Ready}},
	}
	out.Expires = out.Until
	return out
}

// refuseBack tells the gateway that handed us a direct text that we do not take
// it, and why; it tells the writer. A text that wandered is dropped in silence.
func (b *Bridge) refuseBack(ln *line, m *message.Message, ref *rules.Refusal) *queue.Record {
	if b.isGroup(m.To) || m.TrunkID == "" || ref.Code == link.CodeLooped {
		return nil
	}
	r := b.farReceipt(&queue.Record{Message: *m}, queue.Return{Link: ln.Name, Gateway: m.Via, TrunkID: m.TrunkID}, b.stamp(), ref.Why+" ("+ref.Code+")")
	r.Event = eventIdentity("refused " + m.TrunkID)
	return r
}

// farReceiptLifetime is how long a receipt is kept for a gateway that is away.
const farReceiptLifetime = 25 * time.Hour

// planFarNotice passes a notice about a message that we passed on to its writer.
func (b *Bridge) planFarNotice(ctx context.Context, ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		return b.planRelay(ctx, ln, m)
	}
	at := b.stamp()
	return plan{
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			if b.passedBy(r, m.Via) < 0 || r.Told || !b.mayTell(&r.Message) {
				return nil, queue.ErrSkip
			}
			r.Told = true
			r.Note(at, "told", r.Message.Link, m.Text)
			n := b.notice(&r.Message, r.Seq, at, m.Text)
			if to := b.byName[r.Message.Link]; to != nil && to.trunk != nil {
				n.Message.Acks, n.Deliveries[0].Gateway = r.Message.TrunkID, r.Message.Via
			}
			return []*queue.Record{n}, nil
		}}},
		answer: func([]queue.Done) link.Verdict { return link.Verdict{Kept: true} },
	}
}

// astray files that the gateway for which a delivery waits is not alive: the
// message looks for another way, a receipt waits for that gateway.
func (c *carrier) astray(item queue.Item, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	wait := c.ackWait()
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		switch {
		case !d.State.Open() || d.State == queue.Passed:
			return nil, queue.ErrSkip
		case r.Message.Kind != message.Text:
			d.State, d.Due, d.Begun = queue.Later, at.Age.Add(wait), true
			return nil, nil
		}
		r.Note(at, "held", d.Link, d.Gateway+" is not alive")
		*d = queue.Delivery{To: d.To, State: queue.Held, Attempts: d.Attempts}
		tellHeld(r, at)
		return nil, nil
	}
}
