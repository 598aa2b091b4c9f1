package broker

import (
	"context"
	"errors"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// receiver processes what comes over the trunk, one batch at a time.
type receiver struct {
	t       *Trunk
	host    link.TrunkHost
	windows map[envelope.PublicKey]envelope.Window
	proofs  proofs                 // of what was signed lately, whatever our clock says
	mark    string                 // the mark under which windows are on disk
	ours    func(wire []byte) bool // nil: everything is ours
}

func newReceiver(t *Trunk, host link.TrunkHost) *receiver {
	return &receiver{t: t, host: host, windows: map[envelope.PublicKey]envelope.Window{}, proofs: proofs{}, mark: windowMark}
}

// dropTrunk are the reasons to drop events that prove no sender.
const (
	dropReplay dropped = "replay"
	dropSkew   dropped = "clock-skew"
)

// letter is one event that is for the bridge.
type letterIn struct {
	r *envelope.Received
	m message.Message
}

// take processes a batch. The replay windows are written in the same commit as the
// messages; then custody receipts are given. After an error all of it comes again.
func (in *receiver) take(ctx context.Context, packets []packet) error {
	windows := map[envelope.PublicKey]envelope.Window{}
	var letters []letterIn
	for _, p := range packets {
		if in.ours != nil && !in.ours(p.payload) {
			continue
		}
		r, err := in.open(p)
		if err != nil {
			in.refused(err)
			in.refuseBack(err)
			continue
		}
		if in.state(p, r) {
			continue
		}
		w, err := in.window(ctx, windows, r)
		if err != nil {
			return err
		}
		news := r.Number > w.Highest()
		if err := w.Take(r.Number); err != nil {
			in.drop(dropReplay)
			continue
		}
		windows[r.Key] = w
		if news && r.Listed && r.Topic.Kind == envelope.InInbox {
			in.host.Spoke(r.Source)
		}
		if m, ok := in.letter(r); ok {
			letters = append(letters, letterIn{r, m})
		}
	}
	return in.accept(ctx, windows, letters)
}

// open judges an event by our clock. If a listed gateway signed it in our future our clock
// is wrong: one that is only steady is no longer trusted from here on. Then the event is
// judged without it.
func (in *receiver) open(p packet) (*envelope.Received, error) {
	r, refused, err := in.judge(p)
	if refused != nil && errors.Is(err, envelope.ErrFuture) {
		in.host.Dated(false)
		if _, still := in.t.opts.Wall(); !still {
			r, refused, err = in.judge(p)
		}
	}
	if now, _ := in.t.opts.Wall(); refused != nil && errors.Is(err, envelope.ErrSkew) && in.isLate(refused, now) {
		return refused, nil
	}
	if err == nil && r.Listed && !r.Signed.IsZero() {
		in.host.Dated(true)
	}
	return r, err
}

// judge opens an event; refused is one that a listed gateway signed and that is not taken.
func (in *receiver) judge(p packet) (r, refused *envelope.Received, err error) {
	now, trusted := in.t.opts.Wall()
	r, err = envelope.Open(p.payload, in.t.trust.get(), envelope.Want{
		Root: in.t.opts.TopicRoot, Topic: p.topic, Own: in.t.opts.Call, Groups: in.t.opts.Groups, Now: now, ClockTrusted: trusted,
	})
	if no, ok := errors.AsType[*envelope.Refused](err); ok && no.Received.Listed {
		refused = no.Received
	}
	return r, refused, err
}

// refused counts what is not taken.
func (in *receiver) refused(err error) {
	switch code := envelope.Code(err); {
	case errors.Is(err, envelope.ErrOwn):
	case errors.Is(err, envelope.ErrSkew):
		in.drop(dropSkew)
	case errors.Is(err, envelope.ErrReplay):
		in.drop(dropReplay)
	case code != "":
		in.host.Refuse(code)
		in.t.notes.dropped(dropped(code + ": " + err.Error()))
	}
}

// refuseBack tells the sender of a genuine message that it will never be taken, so that it
// is not sent again.
func (in *receiver) refuseBack(err error) {
	refused, ok := errors.AsType[*envelope.Refused](err)
	if !ok || envelope.Code(err) == "" || refused.Received.Topic.Kind != envelope.InInbox {
		return
	}
	if _, isText := refused.Received.Body.(envelope.Text); isText {
		in.t.acknowledge(answer{to: refused.Received.Source, about: refused.Received.ID, code: envelope.Code(err), why: refused.Err.Error()})
	}
}

func (in *receiver) drop(why dropped) {
	in.host.Count(string(why))
	in.t.notes.dropped(why)
}

// window returns the replay window of a key as it is in this batch. Windows of keys that
// are not listed are in memory only, and only some of them: anybody can make keys, and
// their messages are also recognised by id.
func (in *receiver) window(ctx context.Context, batch map[envelope.PublicKey]envelope.Window, r *envelope.Received) (envelope.Window, error) {
	key := r.Key
	if w, ok := batch[key]; ok {
		return w, nil
	}
	if w, ok := in.windows[key]; ok {
		return w, nil
	}
	var w envelope.Window
	if !r.Listed {
		return w, nil
	}
	b, err := in.host.Mark(ctx, in.mark+key.Thumbprint())
	if err == nil && b != nil {
		err = w.UnmarshalBinary(b)
	}
	return w, err
}

const windowMark = "window/"

// mostWindows bounds the windows in memory.
const mostWindows = 2000

// state processes announcements. Only the latest counts, so there is no window: retained
// ones come late and more than once.
func (in *receiver) state(p packet, r *envelope.Received) bool {
	switch b := r.Body.(type) {
	case envelope.Presence:
		if b.Gone {
			in.host.Absent(r.Source, b.Boot)
			return true
		}
		in.host.Present(presence.Say{
			Mesh: b.Mesh, Call: r.Source, Boot: b.Boot, Count: b.Counter, MeshUp: b.Up, Transmits: b.Transmits, Standby: b.Standby, Closed: b.Closed,
			Offers: b.Offers,
		}, p.retained && !in.fresh(r))
	case envelope.Heard:
		if in.latest(p.topic, r.Number) {
			in.host.FarHeard(link.FarHearing{Call: b.Station, Gateway: r.Source, Mesh: b.Mesh, Ago: b.Age.Duration() + in.since(r), Messaging: b.Messaging})
		}
	default:
		return false
	}
	return true
}

// fresh tells whether a retained announcement is no older than the time between two of
// them. Then its gateway counts as alive at once. That needs trusted clocks at both ends;
// without them it takes until the next announcement.
func (in *receiver) fresh(r *envelope.Received) bool {
	now, trusted := in.t.opts.Wall()
	ago := now.Sub(r.Signed)
	return trusted && !r.Signed.IsZero() && ago > -clockSlack && ago < presence.Every+clockSlack
}

// clockSlack is how far two trusted clocks may be apart for that.
const clockSlack = 2 * time.Second

// since is how long ago a state was signed, as far as the clocks show.
func (in *receiver) since(r *envelope.Received) time.Duration {
	now, trusted := in.t.opts.Wall()
	if !trusted || r.Signed.IsZero() {
		return 0
	}
	return max(now.Sub(r.Signed), 0)
}

// latest tells whether a state is the newest of its topic, and remembers it.
func (in *receiver) latest(topic string, number uint64) bool {
	t := in.t
	t.mu.Lock()
	defer t.mu.Unlock()
	if number < t.places[topic] {
		return false
	}
	if len(t.places) > 50000 {
		clear(t.places)
	}
	t.places[topic] = number
	return true
}

// letter turns an event into a message for the bridge.
func (in *receiver) letter(r *envelope.Received) (message.Message, bool) {
	var m message.Message
	switch b := r.Body.(type) {
	case envelope.Text:
		m = b.Message()
		m.Mesh = b.Mesh
	case envelope.Notice:
		m = b.Message()
		m.Acks = b.About
	case envelope.Receipt:
		m = message.Message{Kind: message.Receipt, From: b.Station, To: b.To, Acks: b.About, Result: string(b.Result), Text: b.Why}
		m.Nak = b.Result != envelope.ResultDelivered && b.Result != envelope.ResultSent
		if m.Nak && m.Text == "" {
			m.Text = string(b.Result)
		}
	case envelope.Custody:
		m = message.Message{Kind: message.Custody, From: r.Source, Acks: b.About, Nak: b.Code != "", Text: b.Why}
	case envelope.Taken:
		in.host.TakenBy(taken(b, r.Source))
		return m, false
	case envelope.Position:
		in.host.FarPosition(position(b, r.Source))
		return m, false
	default:
		return m, false
	}
	m.Via, m.TrunkID, m.Key = r.Source, r.ID, shortKey(r.Key)
	m.Handed = r.Topic.Kind == envelope.InInbox
	m.Left = in.left(r)
	return m, true
}

// left is the rest of an event's lifetime. If its sender or we have no trusted clock, it
// counts from now.
func (in *receiver) left(r *envelope.Received) time.Duration {
	now, trusted := in.t.opts.Wall()
	if !trusted || r.Signed.IsZero() {
		return r.Lifetime
	}
	return min(max(r.Expires().Sub(now), time.Second), r.Lifetime)
}

// shortKey identifies a key in a record: enough of its thumbprint to be unique for a call
// sign.
func shortKey(k envelope.PublicKey) string { return k.Thumbprint()[:12] }

func position(p envelope.Position, gateway string) link.FarPosition {
	return link.FarPosition{
		Call: p.Station, Gateway: gateway, Mesh: p.Mesh, Ago: p.Age.Duration(),
		Where: message.Where{Lat: p.Lat, Lon: p.Lon, Alt: p.Alt, Ambiguity: p.Ambiguity, Comment: p.Comment},
	}
}

func taken(b envelope.Taken, gateway string) link.Taken {
	t := link.Taken{Mesh: b.Mesh, Gateway: gateway}
	for _, a := range b.Acks {
		t.Acks = append(t.Acks, link.Ack(a))
	}
	for _, h := range b.Identities {
		t.Identities = append(t.Identities, h)
	}
	for _, h := range b.Bodies {
		t.Identities = append(t.Identities, h)
	}
	for _, h := range b.Frames {
		t.Frames = append(t.Frames, h)
	}
	return t
}

// accept passes the letters to the bridge, and gives custody receipts for those that are
// kept.
func (in *receiver) accept(ctx context.Context, windows map[envelope.PublicKey]envelope.Window, letters []letterIn) error {
	if len(windows) == 0 {
		return nil
	}
	marks := map[string][]byte{}
	list := in.t.trust.get()
	for key, w := range windows {
		if !list.Has(key) {
			continue
		}
		b, err := w.MarshalBinary()
		if err != nil {
			return err
		}
		marks[in.mark+key.Thumbprint()] = b
	}
	messages := make([]message.Message, len(letters))
	for i, l := range letters {
		messages[i] = l.m
	}
	verdicts, err := in.host.AcceptMarked(ctx, marks, messages...)
	if err != nil {
		return err
	}
	if len(in.windows)+len(windows) > mostWindows {
		clear(in.windows) // bounds the memory; those of listed keys are on disk
	}
	for key, w := range windows {
		in.windows[key] = w
	}
	for i, l := range letters {
		if _, isCustody := l.r.Body.(envelope.Custody); !isCustody && l.r.Topic.Kind == envelope.InInbox && verdicts[i].Kept {
			in.t.acknowledge(answer{to: l.r.Source, about: l.r.ID})
		}
	}
	return nil
}
