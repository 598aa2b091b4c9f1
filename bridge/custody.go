package bridge

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// confirmLater: once another gateway has a message its end-to-end receipt may come
// this long after the lifetime.
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
// another gateway of its mesh.
func (b *Bridge) passedBy(r *queue.Record, gateway string) int {
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.Gateway != "" && (d.Gateway == gateway || b.far.table.Siblings(d.Gateway, gateway)) {
			return i
		}
	}
	return -1
}

// adopt returns the link on which a text was heard. One that another gateway of a
// shared mesh handed over counts as heard on that mesh by this gateway, unless the
// mesh's transmitter handed it over: then it is meant for our other links.
func (b *Bridge) adopt(ln *line, m *message.Message) *line {
	if ln.trunk == nil || !m.Handed || b.isForLeader(ln, m) {
		return ln
	}
	home := b.sharedLine(m.Mesh)
	if home == nil || !b.far.table.Serves(m.Mesh, m.Via) {
		return ln
	}
	if b.far.table.Transmits(m.Mesh, m.Via, time.Now()) && !home.transmits() && !b.isUnread(home, m) {
		return ln
	}
	m.Link = home.Name
	return home
}

// planSentBack answers for a frame that this gateway has transmitted itself, and that
// another gateway of the mesh took for a new text and handed over.
func (b *Bridge) planSentBack(ln *line, m *message.Message) plan {
	b.meter.Refused(ln.Name, link.CodeLooped)
	r := b.farReceipt(&queue.Record{Message: *m}, b.back(m), b.stamp(), message.ResultSent, "")
	r.Event = eventIdentity("sent "+m.TrunkID, queue.Identity{})
	return plan{
		ops:    []queue.Op{{New: r, EventFor: time.Hour, Urgent: true}},
		answer: func([]queue.Done) link.Verdict { return link.Verdict{Code: link.CodeLooped, Kept: true} },
	}
}

// planCustody files that a far gateway has taken a message over and is responsible
// for it now. Its writer still has to learn the outcome.
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
			case r.Message.Kind != message.Text: // receipts and notices have no outcome to wait for
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
			b.far.freeRoom(seq)
			ln.courier.Wake()
			if done[0].Err == nil {
				b.meter.Delivery(ln.Name, "passed")
				b.log.Info("passed on", "link", ln.Name, "id", m.Acks, "gateway", m.From)
			}
			return link.Verdict{ID: m.Acks}
		},
	}
}

// eventIdentity identifies copies of a trunk event, by its id and its text: a gateway
// that lost its memory may use an old id for a new text.
func eventIdentity(id string, text queue.Identity) queue.Identity {
	if id == "" {
		return queue.Identity{}
	}
	return identify(&message.Message{OriginID: id, Text: string(text[:])})
}

// comesAgain answers for a text from a trunk that is known already. What this gateway
// passed on and comes back is routed again, since its addressee roams. What it had
// left to the transmitter of its mesh and is handed to it now becomes its own. A
// second gateway that hands the same text over waits for the outcome, too. It returns
// whether this gateway is responsible for the text.
func (b *Bridge) comesAgain(ctx context.Context, seq uint64, m *message.Message) bool {
	at, kept := b.stamp(), false
	if as := *m; b.readLate(b.sharedLine(m.Mesh), &as, b.writtenAt(&as)) == nil {
		m = &as
	}
	_, err := b.store.Apply(ctx, queue.Op{Seq: seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		i := passedOn(r)
		if j := handing(r, m.Via); j >= 0 && m.Handed && !b.isGroup(m.To) {
			if slices.Contains(m.Hops, b.own.String()) {
				i = j // it comes back, maybe before the custody receipt
			} else if kept = b.own.String() < m.Via; !kept {
				// The two copies have crossed, and each gateway has left it to the other: the
				// one with the lower call sign takes it.
				return nil, queue.ErrSkip
			} else {
				b.awaits(r, m) // it is told the outcome of its own copy
				return b.takeBack(r, j, m, at), nil
			}
		}
		if i >= 0 && len(m.Hops) <= len(r.Message.Hops) {
			kept = false // an old copy; the gateway that has it now is responsible
			return nil, queue.ErrSkip
		}
		kept = true
		if j := leftToAnother(r); j >= 0 && m.Handed && !b.isGroup(m.To) && !isSame(&r.Message, m) {
			return b.takeOn(r, j, m, at), nil
		}
		changed := b.awaits(r, m)
		if changed && i < 0 && len(m.Hops) > len(r.Message.Hops) {
			r.Message.Hops = m.Hops // so that it cannot go round
		}
		if i >= 0 {
			return b.takeBack(r, i, m, at), nil
		}
		if !changed {
			return nil, queue.ErrSkip
		}
		if result, why := resultOf(r); result != "" { // it is over: tell a late gateway at once
			return []*queue.Record{b.farReceipt(r, b.back(m), at, result, why)}, nil
		}
		return nil, nil
	}})
	if err != nil {
		return false
	}
	b.control.toRelease(callsign.Base(m.To)) // what was given back may have another way now
	b.wakeRelease()
	return kept
}

// handing finds the delivery that is on its way to a gateway or was taken there; -1:
// none.
func handing(r *queue.Record, gateway string) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool {
		return d.Gateway == gateway && (d.State == queue.Passed || d.State == queue.Later && d.Begun)
	})
}

// takeBack reopens a delivery that this gateway had passed on.
func (b *Bridge) takeBack(r *queue.Record, i int, m *message.Message, at queue.Stamp) []*queue.Record {
	readAs(r, m)
	d := &r.Deliveries[i]
	r.Message.Hops = m.Hops
	b.offered(r, d)
	*d = queue.Delivery{To: d.To, State: queue.Held, Attempts: d.Attempts}
	r.Note(at, "came back", m.Link, fmt.Sprintf("from %s, routed afresh", m.Via))
	return b.endUnread(r, i, at)
}

// leftToAnother finds the delivery that was left to the transmitter of the mesh; -1:
// none.
func leftToAnother(r *queue.Record) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool { return d.State == queue.Shadow || d.State == queue.Taken })
}

// isSame tells whether a gateway only repeats an earlier hand-over, since it got no
// answer.
func isSame(was, is *message.Message) bool {
	return was.Handed && was.Via == is.Via && was.TrunkID == is.TrunkID && len(was.Hops) == len(is.Hops)
}

// takeOn makes a text this gateway's own that it had left to the transmitter of its
// mesh and that is handed to it now. It counts as received by the trunk.
func (b *Bridge) takeOn(r *queue.Record, i int, m *message.Message, at queue.Stamp) []*queue.Record {
	readAs(r, m)
	to := &r.Message
	to.Link, to.Via, to.TrunkID, to.Key, to.Handed, to.Hops = m.Link, m.Via, m.TrunkID, m.Key, m.Handed, m.Hops
	r.Deliveries[i] = queue.Delivery{To: r.Deliveries[i].To, State: queue.Held}
	r.Outcome = outcome(r)
	r.Note(at, "taken on", m.Link, fmt.Sprintf("%s handed it over", m.Via))
	return b.endUnread(r, i, at)
}

// passedOn finds the delivery for which another gateway is responsible; -1: none.
func passedOn(r *queue.Record) int {
	return slices.IndexFunc(r.Deliveries, func(d queue.Delivery) bool { return d.State == queue.Passed })
}

// awaits notes that a gateway waits for a record's outcome, and tells whether that
// is new.
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

// back is where the outcome of a message goes: the gateway that handed it over, and
// its id there.
func (b *Bridge) back(m *message.Message) queue.Return {
	return queue.Return{Link: b.trunkTo(m.Via), Gateway: m.Via, TrunkID: m.TrunkID}
}

// offered notes, before a delivery goes another way, that its gateway may have the
// message.
func (b *Bridge) offered(r *queue.Record, d *queue.Delivery) {
	if d.Gateway == "" || !d.Begun || slices.Contains(r.Offered, d.Gateway) {
		return
	}
	r.Offered = append(r.Offered, d.Gateway)
	if len(r.Offered) > queue.MaxOffered {
		r.Offered = r.Offered[1:]
	}
}

// roomOn returns the function that tells a trunk's courier whether one more may go to
// a far gateway; nil for other links.
func (b *Bridge) roomOn(ln *line) func(*queue.Record, int) bool {
	if ln.trunk == nil {
		return nil
	}
	return func(r *queue.Record, delivery int) bool {
		g := r.Deliveries[delivery].Gateway
		return g == "" || b.far.keepRoom(g, r.Seq, time.Now())
	}
}
