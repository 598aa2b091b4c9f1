package bridge

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/callsign"
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

// adopt has a text that another gateway of a shared mesh handed over count as
// heard on that mesh by this gateway, and gives the link it was heard on. What the
// mesh's transmitter hands on is not meant for the mesh, but to go by our other
// links.
func (b *Bridge) adopt(ln *line, m *message.Message) *line {
	if ln.trunk == nil || !m.Handed || b.isForLeader(ln, m) {
		return ln
	}
	home := b.sharedLine(m.Mesh)
	if home == nil || !b.far.table.Serves(m.Mesh, m.Via) {
		return ln
	}
	if b.far.table.Transmits(m.Mesh, m.Via, time.Now()) && !home.transmits() {
		return ln
	}
	m.Link = home.Name
	return home
}

// planSentBack answers for what a gateway of the mesh took for a new text and
// handed over, and what this gateway has transmitted itself.
func (b *Bridge) planSentBack(ln *line, m *message.Message) plan {
	b.meter.Refused(ln.Name, link.CodeLooped)
	r := b.farReceipt(&queue.Record{Message: *m}, b.back(m), b.stamp(), message.ResultSent, "")
	r.Event = eventIdentity("sent "+m.TrunkID, queue.Identity{})
	return plan{
		ops:    []queue.Op{{New: r, EventFor: time.Hour, Urgent: true}},
		answer: func([]queue.Done) link.Verdict { return link.Verdict{Code: link.CodeLooped, Kept: true} },
	}
}

// planCustody files that a far gateway has taken a message over: the duty is
// there now, the writer is still to hear what becomes of it.
func (b *Bridge) planCustody(ln *line, m *message.Message) plan {
	seq, ok := b.seqOf(m.Acks)
	if !ok {
		b.meter.Dropped(ln.Name, "unknown-receipt")
		return settled(link.Verdict{})
	}
	at, spent := b.stamp(), &spending{}
	tell := spent.tell(b)
	return plan{
		spent: spent,
		ops: []queue.Op{{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
			i := b.passedBy(r, m.From)
			if i < 0 || !r.Deliveries[i].State.Open() || r.Deliveries[i].State == queue.Passed {
				return nil, queue.ErrSkip
			}
			d := &r.Deliveries[i]
			switch {
			case m.Nak:
				d.Code, d.Error = codeNak, m.Text
				return b.end(r, i, queue.Failed, at, tell), nil
			case r.Message.Kind != message.Text: // receipts and notices ask for no more
				return b.end(r, i, queue.Delivered, at, nil), nil
			case b.isGroup(r.Message.To): // handed to the transmitter of our mesh
				return b.end(r, i, queue.Taken, at, nil), nil
			}
			r.Until = r.Until.Add(confirmLater)
			r.Expires = r.Until
			d.State, d.Due, d.Begun = queue.Passed, r.Until, true
			r.Note(at, "passed on", ln.Name, m.From+" has it")
			return nil, nil
		}}},
		answer: func(done []queue.Done) link.Verdict {
			b.far.free(seq)
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
				return nil, queue.ErrSkip // only a confirmation is news after the end
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
			b.far.free(seq)
			ln.courier.Wake()
			if done[0].Err == nil {
				b.ended(done[0].Record, confirmed)
				b.log.Info("receipt", "link", ln.Name, "id", m.Acks, "from", m.From, "gateway", m.Via, "nak", m.Nak, "state", string(state))
			}
			// A power cut may have taken the note that the message went there. It goes there
			// again, and then the receipt counts, if that gateway has kept it.
			return link.Verdict{ID: m.Acks, Kept: !early}
		},
	}
}

// confirmedBy finds the delivery of which a far receipt speaks: it must be for
// the same station, and come from the gateway that has the message or may have
// it. One that may have it is believed only that it was delivered.
func (b *Bridge) confirmedBy(r *queue.Record, m *message.Message) int {
	i := b.passedBy(r, m.Via)
	if i < 0 && endedAs(m) == queue.Delivered && len(r.Deliveries) == 1 &&
		slices.ContainsFunc(r.Offered, func(g string) bool { return g == m.Via || b.far.table.Siblings(g, m.Via) }) {
		i = 0
	}
	if i >= 0 && !sameStation(r.Deliveries[i].To, m.From) {
		return -1
	}
	return i
}

// sameStation tells whether a receipt in one name answers for the other: an
// address without an SSID was resolved further on.
func sameStation(to, from string) bool {
	if message.IsMail(to) || message.IsMail(from) {
		return strings.EqualFold(to, from)
	}
	return to == from || callsign.Base(to) == to && callsign.Base(from) == to
}

// endedAs is what a far receipt says of the message.
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

// planRelay takes over a notice or a station's receipt that another gateway of
// this mesh may not transmit itself.
func (b *Bridge) planRelay(_ context.Context, ln *line, m *message.Message) plan {
	to := b.meshOf(m.To, m.Via)
	if to == nil {
		b.meter.Dropped(ln.Name, "unknown-receipt")
		return settled(link.Verdict{Kept: true}) // nothing can be done for it here or later
	}
	m.Precedence = cmp.Or(m.Precedence, message.Routine) // an event says nothing of it, and without one nothing goes out
	at := b.stamp()
	r := &queue.Record{Message: *m, Accepted: at, Until: at.Age.Add(receiptLifetime), Event: eventIdentity(m.TrunkID, queue.Identity{})}
	r.Expires = r.Until
	r.Deliveries = []queue.Delivery{{Link: to.Name, To: m.To, State: queue.Ready}}
	return plan{
		ops: []queue.Op{{New: r, EventFor: receiptLifetime + confirmLater, Urgent: true}},
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

// eventIdentity names a trunk event with what it says, by which its copies are
// known. A gateway that lost its memory may give an old id to a new text.
func eventIdentity(id string, text queue.Identity) queue.Identity {
	if id == "" {
		return queue.Identity{}
	}
	return identify(&message.Message{OriginID: id, Text: string(text[:])})
}

// comesAgain answers for a text that came by a trunk and is known already: what
// this gateway passed on itself and comes back is routed afresh, since its
// addressee roams; what it had left to the transmitter of its mesh and is handed
// is its own now; another gateway that hands the same text over waits for what
// becomes of it, too. It tells whether this gateway answers for the text.
func (b *Bridge) comesAgain(ctx context.Context, seq uint64, m *message.Message) bool {
	at, kept := b.stamp(), false
	_, err := b.store.Apply(ctx, queue.Op{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		i := passedOn(r)
		if j := handing(r, m.Via); j >= 0 && m.Handed && !b.isGroup(m.To) {
			if slices.Contains(m.Hops, b.own.String()) {
				i = j // it comes back, maybe before the word that it had come there
			} else if kept = b.own.String() < m.Via; !kept {
				// The two copies have crossed: each gateway has the other do it. One has
				// to, the one of the lower call sign.
				return nil, queue.ErrSkip
			} else {
				b.takeBack(r, j, m, at)
				return nil, nil
			}
		}
		if i >= 0 && len(m.Hops) <= len(r.Message.Hops) {
			kept = false // an old copy; who has it now answers for it
			return nil, queue.ErrSkip
		}
		kept = true
		if j := leftToAnother(r); j >= 0 && m.Handed && !b.isGroup(m.To) && !isSame(&r.Message, m) {
			b.takeOn(r, j, m, at)
			return nil, nil
		}
		changed := b.awaits(r, m)
		if changed && i < 0 && len(m.Hops) > len(r.Message.Hops) {
			r.Message.Hops = m.Hops // should it go on there, it comes back
		}
		if i >= 0 {
			b.takeBack(r, i, m, at)
			return nil, nil
		}
		if !changed {
			return nil, queue.ErrSkip
		}
		if result, why := resultOf(r); result != "" { // it is over: who asks late is told at once
			return []*queue.Record{b.farReceipt(r, b.back(m), at, result, why)}, nil
		}
		return nil, nil
	}})
	if err != nil {
		return false
	}
	b.control.toRelease(callsign.Base(m.To)) // what was given back may have another way by now
	b.letRelease()
	return kept
}

// handing finds the delivery that is on its way to a gateway or has come there; -1
// if there is none.
func handing(r *queue.Record, gateway string) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool {
		return d.Gateway == gateway && (d.State == queue.Passed || d.State == queue.Later && d.Begun)
	})
}

// takeBack reopens a delivery that this gateway had passed on.
func (b *Bridge) takeBack(r *queue.Record, i int, m *message.Message, at queue.Stamp) {
	d := &r.Deliveries[i]
	r.Message.Hops = m.Hops
	b.offered(r, d)
	*d = queue.Delivery{To: d.To, State: queue.Held, Attempts: d.Attempts}
	r.Note(at, "came back", m.Link, fmt.Sprintf("from %s, routed afresh", m.Via))
}

// leftToAnother finds the delivery that the transmitter of the mesh should have in
// hand, or said that it had; -1 if there is none.
func leftToAnother(r *queue.Record) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool { return d.State == queue.Shadow || d.State == queue.Taken })
}

// isSame tells whether a gateway hands a text over that it has handed over in the same
// way before: it had no answer, and nothing is new.
func isSame(was, is *message.Message) bool {
	return was.Handed && was.Via == is.Via && was.TrunkID == is.TrunkID && len(was.Hops) == len(is.Hops)
}

// takeOn makes a text this gateway's own that it had left to the transmitter of its
// mesh, and that is handed to it now. It counts as come from there.
func (b *Bridge) takeOn(r *queue.Record, i int, m *message.Message, at queue.Stamp) {
	to := &r.Message
	to.Link, to.Via, to.TrunkID, to.Key, to.Handed, to.Hops = m.Link, m.Via, m.TrunkID, m.Key, m.Handed, m.Hops
	r.Deliveries[i] = queue.Delivery{To: r.Deliveries[i].To, State: queue.Held}
	r.Outcome = outcome(r)
	r.Note(at, "taken on", m.Link, fmt.Sprintf("%s handed it over", m.Via))
}

// passedOn finds the delivery that another gateway answers for, -1 if there is
// none.
func passedOn(r *queue.Record) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool { return d.State == queue.Passed })
}

// awaits notes that a gateway waits for the outcome of a record, and tells
// whether that is new.
func (b *Bridge) awaits(r *queue.Record, m *message.Message) bool {
	back := b.back(m)
	if !m.Handed || back.TrunkID == "" || back.Gateway == r.Message.Via && back.TrunkID == r.Message.TrunkID ||
		slices.Contains(r.Returned, back) || len(r.Returned) >= maxReturned {
		return false
	}
	r.Returned = append(r.Returned, back)
	return true
}

// maxReturned bounds the gateways that wait for one record's outcome: more than
// there are hand-overs.
const maxReturned = 16

// back is the name under which the gateway that handed a message over knows it.
func (b *Bridge) back(m *message.Message) queue.Return {
	return queue.Return{Link: b.trunkTo(m.Via), Gateway: m.Via, TrunkID: m.TrunkID}
}

// offered notes that the gateway of a delivery may have the message, before it is
// given to another.
func (b *Bridge) offered(r *queue.Record, d *queue.Delivery) {
	if d.Gateway == "" || !d.Begun || slices.Contains(r.Offered, d.Gateway) {
		return
	}
	r.Offered = append(r.Offered, d.Gateway)
	if len(r.Offered) > queue.MaxOffered {
		r.Offered = r.Offered[1:]
	}
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
		return b.planRelay(ctx, ln, m)
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

// roomOn tells a trunk's courier whether one more may go to a far gateway; nil
// for other links.
func (b *Bridge) roomOn(ln *line) func(*queue.Record, int) bool {
	if ln.trunk == nil {
		return nil
	}
	return func(r *queue.Record, delivery int) bool {
		g := r.Deliveries[delivery].Gateway
		return g == "" || b.far.place(g, r.Seq, time.Now())
	}
}

// reaches tells whether the gateway of a delivery is alive, and has it followed.
func (c *carrier) reaches(d *queue.Delivery) bool {
	if c.ln.trunk == nil || d.Gateway == "" {
		return true
	}
	now := time.Now()
	if c.b.far.meet(d.Gateway, c.ln.Name, true, now) {
		c.b.lookFar()
	}
	return c.b.far.table.IsAlive(d.Gateway, now)
}

// How long a receipt waits for a gateway that is away before it is looked at
// again.
const (
	astrayWait    = 5 * time.Second
	longestAstray = time.Minute
)

// astray files that the gateway for which a delivery waits is not alive: the
// message takes another way or looks for one, a receipt waits for that gateway.
func (c *carrier) astray(item queue.Item, r *queue.Record, at queue.Stamp) func(*queue.Record) ([]*queue.Record, error) {
	b := c.b
	b.far.free(item.Seq)
	next := b.otherWay(r, item.Delivery)
	b.control.toRelease(callsign.Base(next.To)) // word of another way may come before this is on disk
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		switch {
		case !c.has(d) || d.State == queue.Passed:
			return nil, queue.ErrSkip
		case r.Message.Kind != message.Text:
			d.Begun = true // it holds up nothing behind it
			c.wait(d, at.Age.Add(queue.Doubled(astrayWait, min(d.Attempts+1, 5), longestAstray)))
			d.Attempts++
			return nil, nil
		}
		b.offered(r, d)
		r.Note(at, "astray", d.Link, d.Gateway+" is not alive")
		attempts, parked := d.Attempts, d.State == queue.Parked
		*d = next
		d.Attempts = attempts
		switch {
		case parked:
			d.State = queue.Parked
		case d.State == queue.Held:
			tellHeld(r, at)
		}
		return nil, nil
	}
}

// otherWay finds a way for a delivery whose gateway is not alive; without one it
// is held.
func (b *Bridge) otherWay(r *queue.Record, delivery int) queue.Delivery {
	m := r.Message
	m.To = r.Deliveries[delivery].To
	held := queue.Delivery{To: m.To, State: queue.Held}
	if m.Kind != message.Text {
		return held
	}
	d := b.decide(&m, true)
	if len(d.Targets) == 0 || b.mayTake(&m, d.Targets[0]) != nil {
		return held
	}
	if next := b.deliveriesTo(d.Targets[0])[0]; next.Gateway == "" || next.Gateway != r.Deliveries[delivery].Gateway {
		return next
	}
	return held
}

// parkUnbelieved holds for the operator what came by a trunk from keys that are
// not believed any more and is not sent yet.
func (b *Bridge) parkUnbelieved(ctx context.Context, trunk string, believed func(call, key string) bool) {
	at := b.stamp()
	for after := uint64(0); ctx.Err() == nil; {
		list, err := b.store.List(ctx, true, after, atATime)
		if err != nil || len(list) == 0 {
			return
		}
		var ops []queue.Op
		for _, r := range list {
			after = r.Seq
			if m := &r.Message; m.Key != "" && b.trunkTo(m.Via) == trunk && !believed(m.Via, m.Key) {
				ops = append(ops, queue.Op{Seq: r.Seq, Urgent: true, Change: parkAll(at, m.Via)})
			}
		}
		if len(ops) == 0 {
			continue
		}
		b.log.Warn("messages are held for the operator: the keys that signed them are not on the trust list any more", "link", trunk, "messages", len(ops))
		if _, err := b.store.Apply(ctx, ops...); err != nil {
			b.log.Error("holding messages of gateways that are not believed any more failed", "link", trunk, "err", err)
		}
	}
}

// parkAll parks what of a record is not on its way yet.
func parkAll(at queue.Stamp, gateway string) func(*queue.Record) ([]*queue.Record, error) {
	why := "the key of " + gateway + " is not on the trust list any more"
	return func(r *queue.Record) ([]*queue.Record, error) {
		parked := false
		for i := range r.Deliveries {
			if d := &r.Deliveries[i]; waits(d) || d.State == queue.Held || d.State == queue.Shadow {
				d.State, d.Error, parked = queue.Parked, why, true
			}
		}
		if !parked {
			return nil, queue.ErrSkip
		}
		r.Note(at, "parked", "", why)
		return nil, nil
	}
}
