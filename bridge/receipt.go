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
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// receiptLifetime is how long the gateway tries to send a receipt to the writer;
// whoever repeats a text gets its receipt again anyway.
const receiptLifetime = 2 * time.Hour

// codeNak: the addressee's station refused the text.
const codeNak = "nak"

// planReceipt finds the delivery that a station acknowledges. An ack counts only
// from the addressee, so it is looked up under the station that sent it.
func (b *Bridge) planReceipt(ctx context.Context, ln *line, m *message.Message) plan {
	item, part, err := b.acknowledged(ctx, ln, m)
	if errors.Is(err, queue.ErrNotFound) {
		if !b.overheard(ln, m) {
			b.meter.Dropped(ln.Name, "unknown-receipt")
		}
		return settled(link.Verdict{})
	}
	if err != nil {
		b.log.Error("looking up a receipt failed", "link", ln.Name, "err", err)
		return plan{err: err}
	}
	spent := &spending{}
	change := b.receipt(item, part, ln, m, spent.tell(b))
	return plan{
		spent:  spent,
		ops:    []queue.Op{{Seq: item.Seq, Change: change, Urgent: true}},
		answer: func(done []queue.Done) link.Verdict { return b.receipted(ln, item, m, done[0]) },
	}
}

// acknowledged finds the delivery and the part that an ack is for.
func (b *Bridge) acknowledged(ctx context.Context, ln *line, m *message.Message) (queue.Item, int, error) {
	if seq, ok := b.seqOf(m.Acks); ok && ln.props.Final {
		item, err := b.bounced(ctx, ln, m.From, seq)
		return item, 0, err
	}
	item, part, err := b.store.Frame(ctx, ln.Name, m.From, m.Acks)
	if errors.Is(err, queue.ErrNotFound) {
		item, part, err = b.store.Frame(ctx, ln.Name, m.From, localFrame(m.To, m.Acks))
	}
	return item, part, err
}

// bounced finds the delivery of a mail that came back. It is looked up by our id of
// the message, since a bounce may come before the result of sending is filed. The
// report may name another address than ours, if that one forwards its mail.
func (b *Bridge) bounced(ctx context.Context, ln *line, to string, seq uint64) (queue.Item, error) {
	r, err := b.store.Get(ctx, seq)
	if err != nil {
		return queue.Item{}, err
	}
	only := -1
	for i := range r.Deliveries {
		switch d := &r.Deliveries[i]; {
		case d.Link != ln.Name:
		case strings.EqualFold(d.To, to): // servers change the case
			return queue.Item{Seq: seq, Delivery: i}, nil
		case only < 0:
			only = i
		default:
			only = len(r.Deliveries) // several: unknown which of them
		}
	}
	if only < 0 || only == len(r.Deliveries) {
		return queue.Item{}, fmt.Errorf("message %s went to nobody %.40q on link %s: %w", b.id(seq), to, ln.Name, queue.ErrNotFound)
	}
	return queue.Item{Seq: seq, Delivery: only}, nil // somebody to whom it was forwarded
}

// localFrame is the frame id of a text that two stations exchange on their own
// mesh: there ids are unique only together with the writer's call sign.
func localFrame(writer, id string) string { return writer + "/" + id }

// receipt files a station's ack or nak of a delivery.
func (b *Bridge) receipt(item queue.Item, part int, ln *line, m *message.Message, tell func(*message.Message) telling) func(*queue.Record) ([]*queue.Record, error) {
	at, name := b.stamp(), ln.Name
	return func(r *queue.Record) ([]*queue.Record, error) {
		d := &r.Deliveries[item.Delivery]
		bounced := m.Nak && ln.props.Final // mail may come back after the server took it
		if d.State == queue.Delivered && !bounced || d.State == queue.Dropped {
			return nil, queue.ErrSkip
		}
		if m.Nak {
			if d.State == queue.Failed {
				return nil, queue.ErrSkip
			}
			r.Note(at, "refused", name, m.From+": "+m.Text)
			d.Code, d.Error = codeNak, m.From+" refused it"
			if m.Text != "" {
				d.Error = m.Text
			}
			if bounced && m.From != "" && !strings.EqualFold(m.From, d.To) {
				d.Error = m.From + ": " + d.Error
			}
			return b.end(r, item.Delivery, queue.Failed, at, tell), nil
		}
		if part >= len(d.Parts) || d.Parts[part].Acked {
			return nil, queue.ErrSkip
		}
		d.Parts[part].Acked = true
		r.Note(at, "acked", name, heardThrough(m))
		for _, p := range d.Parts {
			if !p.Acked {
				return nil, nil
			}
		}
		return b.end(r, item.Delivery, queue.Delivered, at, tell), nil
	}
}

// heardThrough says who acknowledged, and which gateway heard it if not this one.
func heardThrough(m *message.Message) string {
	if m.Via == "" {
		return m.From
	}
	return m.From + ", heard by " + m.Via
}

// receipted makes the verdict on a receipt once it is filed.
func (b *Bridge) receipted(ln *line, item queue.Item, m *message.Message, done queue.Done) link.Verdict {
	ln.courier.Wake()
	if done.Err != nil {
		return link.Verdict{ID: b.id(item.Seq)}
	}
	if _, known := b.lately.Load(m.From); !known && !m.Nak {
		b.gave(m.From, &done.Record.Message) // the station may answer before the courier has filed the text as sent
	}
	d := done.Record.Deliveries[item.Delivery]
	if !d.State.Open() {
		b.ended(done.Record, item.Delivery)
	}
	b.log.Info("receipt", "link", ln.Name, "id", b.id(item.Seq), "from", m.From, "nak", m.Nak, "state", string(d.State))
	return link.Verdict{ID: b.id(item.Seq)}
}

// end closes a delivery. If it was the last open one the writer gets a receipt or
// a notice. It changes only the record, and returns the records to create with it.
func (b *Bridge) end(r *queue.Record, delivery int, state queue.State, at queue.Stamp, tell func(*message.Message) telling) []*queue.Record {
	d := &r.Deliveries[delivery]
	d.State, d.Ended = state, at
	note := d.Error
	if state == queue.Delivered {
		note = d.To
	}
	r.Note(at, string(state), d.Link, note)
	was := r.Outcome
	r.Outcome = outcome(r)
	if r.Outcome == "" || r.Outcome == was {
		return nil
	}
	return append(b.closed(r), b.report(r, at, tell)...)
}

// outcome is the result of all deliveries of a record; empty while one is open.
func outcome(r *queue.Record) queue.State {
	if r.Open() {
		return ""
	}
	for _, s := range []queue.State{queue.Delivered, queue.Sent, queue.Taken, queue.Failed, queue.Expired, queue.Dropped} {
		for _, d := range r.Deliveries {
			if d.State == s {
				return s
			}
		}
	}
	return ""
}

// report makes what the outcome of a direct text asks for: word to the gateway that
// handed it over, and to the writer.
func (b *Bridge) report(r *queue.Record, at queue.Stamp, tell func(*message.Message) telling) []*queue.Record {
	m := &r.Message
	if m.Kind != message.Text || b.isGroup(m.To) {
		return nil
	}
	return append(b.reportBack(r, at), b.tellWriter(r, at, tell)...)
}

// tellWriter makes the writer's receipt or notice, unless another gateway does so:
// the one that handed the message to us, or the transmitter of the writer's mesh
// to which we handed it.
func (b *Bridge) tellWriter(r *queue.Record, at queue.Stamp, tell func(*message.Message) telling) []*queue.Record {
	b.bringHome(r)
	m := &r.Message
	ln := b.byName[m.Link]
	if ln == nil || ln.trunk != nil || m.From == b.own.String() || wasLocal(r) || b.handedToSibling(r) {
		return nil
	}
	switch r.Outcome {
	case queue.Delivered:
		if b.takesReceipts(m) {
			r.Receipted = at.Age
			return b.receiptRecords(r, at, false)
		}
		if message.IsMail(m.From) && ln.MaySend() {
			return []*queue.Record{b.notice(m, r.Seq, at, deliveredText(m, at))}
		}
	case queue.Failed, queue.Expired, queue.Dropped:
		told := atOnce
		if tell != nil {
			told = tell(m)
		}
		if told == untold {
			return nil
		}
		out := []*queue.Record{b.notice(m, r.Seq, at, failedText(r))}
		if told == inTurn {
			b.postpone(out[0], at.Age)
		}
		if b.takesReceipts(m) && r.Outcome == queue.Failed {
			out = append(out, b.receiptRecords(r, at, true)...)
		}
		return out
	}
	return nil
}

// bringHome makes a record one of the writer's mesh, on which this gateway transmits, that
// another gateway of the mesh handed over when that one still seemed to transmit there. That
// one may have left the writer to us; if not, both of us tell him. Of a hub only the process
// that leads knows who transmits.
func (b *Bridge) bringHome(r *queue.Record) {
	m, home := &r.Message, b.sharedLine(r.Message.Mesh)
	ln := b.byName[m.Link]
	if b.leads && ln != nil && ln.trunk != nil && m.Handed && home != nil && home.transmits() && b.far.table.Serves(m.Mesh, m.Via) {
		m.Link = home.Name
	}
}

// wasLocal tells whether the stations exchanged the text and its ack themselves.
func wasLocal(r *queue.Record) bool {
	return len(r.Deliveries) == 1 && r.Outcome == queue.Delivered && namedByWriter(r, &r.Deliveries[0])
}

// namedByWriter tells whether a delivery waits for an ack of the writer's own id: the
// stations exchange it themselves, and this gateway has never sent it.
func namedByWriter(r *queue.Record, d *queue.Delivery) bool {
	return len(d.Parts) > 0 && d.Parts[0].ID == localFrame(r.Message.From, r.Message.OriginID)
}

// handedToSibling tells whether we handed the message to the transmitter of the
// writer's mesh. That does not hold for a message that the transmitter gave us for our
// other links. If a message came back from there both tell the writer: among three
// gateways it may have gone round, and each would leave it to the next. So does a gateway
// that transmits there itself by now: who had the message may have left it to that one.
func (b *Bridge) handedToSibling(r *queue.Record) bool {
	if ln := b.sharedLine(r.Message.Mesh); ln != nil && ln.transmits() {
		return false
	}
	return slices.ContainsFunc(r.Deliveries, func(d queue.Delivery) bool { return b.isLeftTo(r, d.Gateway) })
}

// isLeftTo tells whether a record was handed over, and gateway serves its writer's mesh,
// which is also ours.
func (b *Bridge) isLeftTo(r *queue.Record, gateway string) bool {
	return hasStep(r, handedOver) && gateway != "" && b.sharesMesh(r.Message.Mesh) && b.far.table.Serves(r.Message.Mesh, gateway)
}

// takesReceipts tells whether the writer's station expects an acknowledgement.
func (b *Bridge) takesReceipts(m *message.Message) bool {
	ln := b.byName[m.Link]
	return m.OriginID != "" && ln != nil && ln.trunk == nil && ln.props.Acks && ln.MaySend()
}

// receiptRecords makes the end-to-end receipts for the writer, one for each part
// that the text came in.
func (b *Bridge) receiptRecords(r *queue.Record, at queue.Stamp, nak bool) []*queue.Record {
	out := []*queue.Record{b.receiptRecord(r, r.Message.OriginID, at, nak)}
	for _, id := range r.Message.PartIDs {
		out = append(out, b.receiptRecord(r, id, at, nak))
	}
	return out
}

func (b *Bridge) receiptRecord(r *queue.Record, id string, at queue.Stamp, nak bool) *queue.Record {
	m := &r.Message
	out := &queue.Record{
		About:    r.Seq,
		Accepted: at,
		Until:    at.Age.Add(receiptLifetime),
		Message: message.Message{
			Kind: message.Receipt, From: m.Replyable(), To: m.From, Acks: id, Nak: nak,
			Precedence: m.Precedence, Filed: at.Wall,
		},
		Deliveries: []queue.Delivery{{Link: m.Link, To: m.From, State: queue.Ready}},
	}
	out.Expires = out.Until
	return out
}

// repeatEvery is how often at most a receipt is given again: digipeaters drop
// copies of the same ack inside 30 s (APRS Protocol Reference 1.0.1 chapter 14).
const repeatEvery = 30 * time.Second

// repeatReceipt sends the end-to-end receipt again to a writer who repeats a
// message, if there is a receipt already.
func (b *Bridge) repeatReceipt(ctx context.Context, seq uint64) {
	at := b.stamp()
	if !b.repeats.due(seq, at.Age) {
		return
	}
	seq = b.joinedInto(ctx, seq)
	change := func(r *queue.Record) ([]*queue.Record, error) {
		if r.Outcome != queue.Delivered || r.Receipted == 0 || at.Age.Sub(r.Receipted) < repeatEvery || !b.takesReceipts(&r.Message) {
			return nil, queue.ErrSkip
		}
		r.Receipted = at.Age
		return b.receiptRecords(r, at, false), nil
	}
	if _, err := b.store.Apply(ctx, queue.Op{Seq: seq, Change: change, Urgent: true}); err != nil {
		b.log.Warn("giving a receipt again failed; the writer will ask once more", "id", b.id(seq), "err", err)
	}
}

// repeats remembers which messages were repeated lately, so that fast repetitions
// cost no read of the store. It forgets everything when it is full.
type repeats struct {
	mu   sync.Mutex
	last map[uint64]clock.Age
}

func newRepeats() *repeats { return &repeats{last: map[uint64]clock.Age{}} }

func (p *repeats) due(seq uint64, now clock.Age) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if last, ok := p.last[seq]; ok && now.Sub(last) < time.Second {
		return false
	}
	if len(p.last) > 10000 {
		clear(p.last)
	}
	p.last[seq] = now
	return true
}

// ended counts a delivery that has reached its end.
func (b *Bridge) ended(r *queue.Record, delivery int) {
	d := &r.Deliveries[delivery]
	b.meter.Delivery(d.Link, string(d.State))
	if d.State == queue.Delivered {
		b.meter.DeliveryTime(b.clock.Age().Sub(r.Accepted.Age))
	}
}
