package bridge

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// Between gateways the outcome of a message (an end-to-end receipt, or a failure) goes
// back the way that the message came.

// planFarReceipt files an end-to-end receipt from a trunk: of a message that we passed
// on, or one that another gateway of a mesh hands to us to transmit to a station there.
func (b *Bridge) planFarReceipt(ctx context.Context, ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		return b.planRelay(ln, m)
	}
	at, spent := b.stamp(), &spending{}
	tell := spent.tell(b)
	var state queue.State
	var confirmed int // the delivery
	early := false
	return plan{
		spent: spent,
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			i := b.confirmedBy(r, m)
			early, confirmed = i < 0 && r.Open(), i
			if i < 0 || r.Deliveries[i].State == queue.Delivered || r.Deliveries[i].State == queue.Dropped {
				return nil, queue.ErrSkip
			}
			d := &r.Deliveries[i]
			state = endedAs(m)
			if state != queue.Delivered && !d.State.Open() {
				return nil, queue.ErrSkip // after the end only a confirmation is news
			}
			switch state {
			case queue.Failed:
				d.Code, d.Error = codeNak, m.Text
			case queue.Expired:
				d.Code, d.Error = link.CodeExpired, m.Text
			}
			d.Begun = true
			for k := range d.Parts {
				d.Parts[k].Acked = state == queue.Delivered
			}
			return b.end(r, i, state, at, tell), nil
		}}},
		answer: func(done []queue.Done) link.Verdict {
			b.far.freeRoom(seq)
			ln.courier.Wake()
			if done[0].Err == nil {
				b.ended(done[0].Record, confirmed)
				b.log.Info("receipt", "link", ln.Name, "id", m.Acks, "from", m.From, "gateway", m.Via, "nak", m.Nak, "state", string(state))
			}
			// A power failure may have lost that we sent the message there. It is sent again, and
			// then the receipt counts; until then that gateway has to keep it.
			return link.Verdict{ID: m.Acks, Kept: !early}
		},
	}
}

// confirmedBy finds the delivery that a far receipt is about: it must be for the same
// station (of an answer nobody here knows whom it is for), and come from the gateway that
// has the message or may have it. From one that only may have it nothing but a
// confirmation counts.
func (b *Bridge) confirmedBy(r *queue.Record, m *message.Message) int {
	i := b.passedBy(r, m.Via)
	if i < 0 && endedAs(m) == queue.Delivered && len(r.Deliveries) == 1 &&
		slices.ContainsFunc(r.Offered, func(g string) bool { return g == m.Via || b.far.table.Siblings(g, m.Via) }) {
		i = 0
	}
	if i >= 0 && !sameStation(r.Deliveries[i].To, m.From) && !b.isUnread(b.byName[r.Message.Link], &r.Message) {
		return -1
	}
	return i
}

// sameStation tells whether a receipt from one call sign is for a text to the other:
// the far gateway may have added the SSID.
func sameStation(to, from string) bool {
	if message.IsMail(to) || message.IsMail(from) {
		return strings.EqualFold(to, from)
	}
	return to == from || callsign.Base(to) == to && callsign.Base(from) == to
}

// endedAs is the state that a far receipt reports.
func endedAs(m *message.Message) queue.State {
	switch {
	case m.Result == message.ResultSent:
		return queue.Sent
	case m.Result == message.ResultExpired:
		return queue.Expired
	case m.Nak:
		return queue.Failed
	}
	return queue.Delivered
}

// planRelay takes over a notice or a station's receipt from another gateway of the
// mesh, which may not transmit it itself.
func (b *Bridge) planRelay(ln *line, m *message.Message) plan {
	to := b.meshOf(m.To, m.Via)
	if to == nil {
		b.meter.Dropped(ln.Name, "unknown-receipt")
		return settled(link.Verdict{Kept: true}) // nothing can be done with it, now or later
	}
	m.Precedence = cmp.Or(m.Precedence, message.Routine) // events have none, and without one nothing is sent
	at, lifetime := b.stamp(), receiptLifetime
	if m.Kind == message.Notice {
		lifetime = noticeLifetime
	}
	r := &queue.Record{Message: *m, Accepted: at, Until: at.Age.Add(lifetime), Event: eventIdentity(m.TrunkID, queue.Identity{})}
	r.Expires = r.Until
	r.Deliveries = []queue.Delivery{{Link: to.Name, To: m.To, State: queue.Ready}}
	return plan{
		ops: []queue.Op{{New: r, EventFor: lifetime + confirmLater, Urgent: true}},
		answer: func(done []queue.Done) link.Verdict {
			return link.Verdict{ID: b.id(done[0].Seq), Duplicate: done[0].Duplicate, Kept: true}
		},
	}
}

// meshOf finds the mesh on which to reach a station for another gateway of that
// mesh: where it was heard last, else any that both serve. No other gateway may
// have anything transmitted here.
func (b *Bridge) meshOf(call, gateway string) *line {
	var both []*line
	for _, ln := range b.lines {
		if ln.vote != nil && ln.MaySend() && b.far.table.Serves(ln.meshName(), gateway) {
			both = append(both, ln)
		}
	}
	for _, e := range b.heard.find(callsign.Base(call)) {
		for _, ln := range both {
			if e.link == ln.Name && e.call == call {
				return ln
			}
		}
	}
	if len(both) > 0 {
		return both[0]
	}
	return nil
}

// resultOf is what a far gateway is told of a record that is over; empty: nothing
// yet.
func resultOf(r *queue.Record) (result, why string) {
	switch r.Outcome {
	case queue.Delivered:
		return message.ResultDelivered, ""
	case queue.Sent, queue.Taken:
		return message.ResultSent, ""
	case queue.Failed:
		return message.ResultFailed, failedWhy(r)
	case queue.Expired:
		return message.ResultExpired, failedWhy(r)
	case queue.Dropped:
		return message.ResultDropped, "dropped by the operator"
	}
	return "", ""
}

// reportBack tells the gateways that handed a message to us what became of it:
// an end-to-end receipt, or a refusal with its reason. Their own records know who
// wrote it.
func (b *Bridge) reportBack(r *queue.Record, at queue.Stamp) []*queue.Record {
	result, why := resultOf(r)
	if result == "" || b.isGroup(r.Message.To) {
		return nil
	}
	var out []*queue.Record
	for _, to := range append([]queue.Return{b.back(&r.Message)}, r.Returned...) {
		if to.TrunkID != "" {
			out = append(out, b.farReceipt(r, to, at, result, why))
		}
	}
	return out
}

// farReceipt makes an end-to-end receipt for another gateway.
func (b *Bridge) farReceipt(r *queue.Record, to queue.Return, at queue.Stamp, result, why string) *queue.Record {
	m := &r.Message
	out := &queue.Record{
		About: r.Seq, Accepted: at, Until: at.Age.Add(farReceiptLifetime),
		Message: message.Message{
			Kind: message.Receipt, From: answersFor(r), To: m.From, Acks: to.TrunkID, Text: why,
			Nak: result != message.ResultDelivered && result != message.ResultSent, Result: result,
			Precedence: cmp.Or(m.Precedence, message.Routine), Filed: at.Wall,
		},
		Deliveries: []queue.Delivery{{Link: to.Link, To: m.From, Gateway: to.Gateway, State: queue.Ready}},
	}
	out.Expires = out.Until
	return out
}

// answersFor is the station in whose name a message is answered: with its SSID
// where it is known.
func answersFor(r *queue.Record) string {
	for _, d := range r.Deliveries {
		if sameStation(r.Message.To, d.To) {
			return d.To
		}
	}
	return r.Message.To
}

// refuseBack tells the gateway that handed us a direct text that we do not take
// it, and why; it tells the writer. A text that wandered is dropped in silence.
func (b *Bridge) refuseBack(m *message.Message, ref *rules.Refusal) *queue.Record {
	if b.isGroup(m.To) || m.TrunkID == "" || ref.Code == link.CodeLooped {
		return nil
	}
	r := b.farReceipt(&queue.Record{Message: *m}, b.back(m), b.stamp(), message.ResultFailed, ref.Why+" ("+ref.Code+")")
	r.Event = eventIdentity("refused "+m.TrunkID, queue.Identity{})
	return r
}

// farReceiptLifetime is how long a receipt is kept for a gateway that is away.
const farReceiptLifetime = 25 * time.Hour

// planFarNotice passes a notice about a message that we passed on to its writer.
func (b *Bridge) planFarNotice(ctx context.Context, ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		return b.planRelay(ln, m)
	}
	at, spent := b.stamp(), &spending{}
	tell := spent.tell(b)
	return plan{
		spent: spent,
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			if b.passedBy(r, m.Via) < 0 || r.Told || tell(&r.Message) != atOnce {
				return nil, queue.ErrSkip
			}
			r.Told = true
			r.Note(at, "told", r.Message.Link, m.Text)
			return []*queue.Record{b.notice(&r.Message, r.Seq, at, m.Text)}, nil
		}}},
		answer: func([]queue.Done) link.Verdict { return link.Verdict{Kept: true} },
	}
}
