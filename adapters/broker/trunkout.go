package broker

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// Send implements link.Link. A nil result says that the broker has it; that the far
// gateway has it a custody receipt will say.
func (t *Trunk) Send(ctx context.Context, frames []link.Frame) []error {
	errs := make([]error, len(frames))
	var out []packet
	var which []int
	for i, f := range frames {
		p, err := t.sealed(ctx, f)
		var permanent *link.PermanentError
		if err != nil && !errors.As(err, &permanent) { // those after it wait, too
			for j := range errs[i:] {
				errs[i+j] = err
			}
			break
		}
		if errs[i] = err; err == nil {
			out, which = append(out, p), append(which, i)
		}
	}
	if len(out) == 0 {
		return errs
	}
	for j, err := range t.wire.publish(ctx, out) {
		errs[which[j]] = err
	}
	return errs
}

// sealed is the signed event of a frame.
func (t *Trunk) sealed(ctx context.Context, f link.Frame) (packet, error) {
	to, body, err := t.letter(f)
	if err != nil {
		return packet{}, err
	}
	wire, topic, err := t.seal(ctx, f.Record, to, f.Left, body)
	if errors.Is(err, envelope.ErrLooped) {
		err = link.Permanent(link.CodeLooped, err)
	}
	return packet{topic: topic, payload: wire}, err
}

func (t *Trunk) publish(ctx context.Context, p packet) error {
	return t.wire.publish(ctx, []packet{p})[0]
}

// letter turns a frame into an event's topic and body.
func (t *Trunk) letter(f link.Frame) (envelope.Topic, envelope.Body, error) {
	m := &f.Message
	to := envelope.Inbox(f.Gateway)
	if f.Gateway == "" {
		group := m.To
		if m.Kind == message.Position && len(t.opts.Groups) > 0 {
			group = t.opts.Groups[0]
		}
		if !slices.Contains(t.opts.Groups, group) {
			return to, nil, link.Permanent(link.CodeNoRoute, fmt.Errorf("group %s does not cross this link", group))
		}
		to = envelope.Group(group)
	}
	switch m.Kind {
	case message.Text:
		return to, envelope.NewText(m, m.Mesh, t.opts.Call), nil
	case message.Notice:
		return to, envelope.NewNotice(m, m.Acks), nil
	case message.Receipt:
		r := envelope.Receipt{About: m.Acks, Station: m.From, To: m.To, Result: envelope.ResultDelivered, Why: clip(m.Text, 400), At: m.Filed}
		switch {
		case m.Result != "":
			r.Result = envelope.Result(m.Result)
		case m.Nak:
			r.Result = envelope.ResultNak
		}
		return to, r, nil
	case message.Position:
		return to, t.place(m), nil
	}
	return to, nil, link.Permanent("unsupported", fmt.Errorf("a trunk does not carry a %s", m.Kind))
}

// place is a position as it is published, with its age and not its time, since clocks
// differ.
func (t *Trunk) place(m *message.Message) envelope.Position {
	p := envelope.Position{
		Station: m.From, Mesh: m.Mesh, Lat: m.Where.Lat, Lon: m.Where.Lon, Alt: m.Where.Alt,
		Ambiguity: m.Where.Ambiguity, Comment: clip(m.Where.Comment, 256), Messaging: m.Messaging, SNR: m.SNR,
	}
	if now, trusted := t.opts.Wall(); trusted && !m.Where.Time.IsZero() {
		p.Age = envelope.SecondsOf(now.Sub(m.Where.Time))
	}
	return p
}

// clip shortens a reason to at most n bytes of whole characters.
func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n]
}

// seal signs an event with the next number, a new one for each try.
func (t *Trunk) seal(ctx context.Context, id string, to envelope.Topic, left time.Duration, body envelope.Body) (wire []byte, topic string, err error) {
	if topic, err = to.Under(t.opts.TopicRoot); err != nil {
		return nil, "", link.Permanent(link.CodeNoRoute, err)
	}
	if id == "" { // it is no message, and has no record
		id = "p" + strconv.FormatInt(time.Now().UnixNano(), 36)
	}
	now, trusted := t.opts.Wall()
	e := envelope.Event{
		ID: id, Source: t.opts.Call, Root: t.opts.TopicRoot, Topic: to, Body: body,
		Lifetime: min(max(left, time.Second), envelope.MaxLifetime).Truncate(time.Second),
	}
	if trusted {
		e.Signed = now.UTC().Truncate(time.Millisecond)
	}
	if e.Number, err = t.numbers.next(ctx, now); err != nil {
		return nil, "", err
	}
	wire, err = envelope.Seal(t.opts.Key, e)
	return wire, topic, err
}

// stateLife is the lifetime of an announcement that is not repeated.
const stateLife = 24 * time.Hour

// answer is a custody receipt to be given, or with a code a permanent refusal.
type answer struct{ to, about, code, why string }

// custodyEvery is the least time between two custody receipts for one event.
const custodyEvery = 30 * time.Second

// acknowledge queues a custody receipt, after custodyEvery if one was given before.
func (t *Trunk) acknowledge(a answer) {
	key := a.to + " " + a.about
	wait := time.Duration(0)
	t.mu.Lock()
	if last, ok := t.receipts[key]; ok {
		wait = max(custodyEvery-time.Since(last), 0)
	}
	if wait > custodySlack { // the sender will ask again after that
		t.mu.Unlock()
		return
	}
	if len(t.receipts) > 10000 {
		clear(t.receipts)
	}
	t.receipts[key] = time.Now().Add(wait)
	t.mu.Unlock()
	give := func() {
		select {
		case t.custody <- a:
		default: // the sender asks again
		}
	}
	if wait == 0 {
		give()
		return
	}
	time.AfterFunc(wait, give) // give never blocks
}

// custodySlack is how much too early a sender may ask again: it, too, waits custodyEvery,
// but from an earlier moment.
const custodySlack = 3 * time.Second

// custodyAtOnce is how many custody receipts may wait for their PUBACK, so that a slow
// broker does not delay the whole inbox.
const custodyAtOnce = 64

// giveCustody publishes custody receipts until ctx ends. They are not stored: the sender
// asks again if one is lost.
func (t *Trunk) giveCustody(ctx context.Context) {
	var underWay errgroup.Group
	underWay.SetLimit(custodyAtOnce)
	defer underWay.Wait()
	for n := uint64(1); ; n++ {
		select {
		case <-ctx.Done():
			return
		case a := <-t.custody:
			if t.hushed.Load() {
				continue // the sender asks again
			}
			id := t.opts.Call + ".c" + strconv.FormatUint(n, 36) + "." + strconv.FormatInt(time.Now().UnixMilli(), 36)
			wire, topic, err := t.seal(ctx, id, envelope.Inbox(a.to), time.Hour, envelope.Custody{About: a.about, Code: a.code, Why: a.why})
			underWay.Go(func() error {
				if err == nil {
					err = t.publish(ctx, packet{topic: topic, payload: wire})
				}
				if err != nil && ctx.Err() == nil {
					t.log.Debug("a custody receipt could not be given; the sender asks again", "id", a.about, "err", err)
				}
				return nil
			})
		}
	}
}

// Announce implements link.Trunk.
func (t *Trunk) Announce(says []presence.Say) {
	t.mu.Lock()
	changed := !slices.EqualFunc(t.says, says, func(a, b presence.Say) bool {
		return a.Mesh == b.Mesh && a.MeshUp == b.MeshUp && a.Transmits == b.Transmits && a.Standby == b.Standby && a.Closed == b.Closed &&
			slices.Equal(a.Offers, b.Offers) && slices.EqualFunc(a.Hears, b.Hears, func(a, b presence.Word) bool { return a.Call == b.Call && a.Boot == b.Boot })
	})
	t.says = slices.Clone(says)
	t.mu.Unlock()
	if changed {
		t.wake()
	}
}

func (t *Trunk) wake() {
	select {
	case t.changed <- struct{}{}:
	default:
	}
}

// Report implements link.Trunk.
func (t *Trunk) Report(heard []link.FarHearing) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := make(map[string]link.FarHearing, len(heard))
	for _, h := range heard {
		if old, ok := now[h.Call]; !ok || h.Ago < old.Ago {
			now[h.Call] = h
		}
	}
	for call, told := range t.told {
		if h, ok := now[call]; !ok || h.Mesh != told.mesh {
			delete(t.told, call) // gone, or elsewhere: the next hearing is news
		}
	}
	t.heard = now
}

// connected makes us announce everything again, after a wait that differs between gateways,
// so that not all speak at once when a broker is back.
func (t *Trunk) connected(up bool) {
	if !up {
		return
	}
	h := fnv.New64a()
	h.Write([]byte(t.opts.Call))
	again := time.Now().Add(time.Duration(h.Sum64() % uint64(scatter)))
	t.mu.Lock()
	for call, told := range t.told {
		told.at = again.Add(-heardEvery)
		t.told[call] = told
	}
	t.mu.Unlock()
	t.wake()
}

// publishStates says that this gateway is alive, and whom it hears, until ctx
// ends.
func (t *Trunk) publishStates(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	var said time.Time
	for {
		changed := false
		select {
		case <-ctx.Done():
			return
		case <-t.changed:
			changed = true
		case <-tick.C:
			select { // one is enough
			case <-t.changed:
				changed = true
			default:
			}
		}
		if t.hushed.Load() {
			said = time.Time{}
			continue
		}
		if changed || time.Since(said) >= presence.Every {
			if t.sayPresence(ctx) {
				said = time.Now()
			}
		}
		t.sayHeard(ctx)
	}
}

func (t *Trunk) sayPresence(ctx context.Context) bool {
	t.mu.Lock()
	says := slices.Clone(t.says)
	t.spoke.note(says, time.Now())
	t.mu.Unlock()
	ok := len(says) > 0
	for _, s := range says {
		ok = t.state(ctx, envelope.PresenceAt(s.Mesh, t.opts.Call), t.presence(s, false)) && ok
	}
	return ok
}

func (t *Trunk) presence(s presence.Say, gone bool) envelope.Presence {
	p := envelope.Presence{
		Mesh: s.Mesh, Boot: s.Boot, Counter: s.Count, Up: s.MeshUp, Transmits: s.Transmits, Standby: s.Standby, Closed: s.Closed, Gone: gone,
		Groups: t.opts.Groups, Offers: s.Offers,
	}
	for _, w := range s.Hears {
		p.Hears = append(p.Hears, envelope.Word{Gateway: w.Call, Boot: w.Boot, Counter: w.Count})
	}
	return p
}

// atOnce is how many stations are announced in a second at most.
const atOnce = 50

// sayHeard announces the stations that we hear, if that is news or was last announced long
// ago.
func (t *Trunk) sayHeard(ctx context.Context) {
	t.mu.Lock()
	var due []link.FarHearing
	for call, h := range t.heard {
		if last, ok := t.told[call]; (!ok || time.Since(last.at) >= heardEvery) && len(due) < atOnce {
			due = append(due, h)
		}
	}
	t.mu.Unlock()
	slices.SortFunc(due, func(a, b link.FarHearing) int { return strings.Compare(a.Call, b.Call) })
	for _, h := range due {
		body := envelope.Heard{Station: h.Call, Mesh: h.Mesh, Age: envelope.SecondsOf(h.Ago), Messaging: h.Messaging}
		if !t.state(ctx, envelope.HeardAt(h.Call, t.opts.Call), body) {
			return
		}
		t.mu.Lock()
		t.told[h.Call] = toldPlace{h.Mesh, time.Now()}
		t.mu.Unlock()
	}
}

// state publishes a retained announcement.
func (t *Trunk) state(ctx context.Context, to envelope.Topic, body envelope.Body) bool {
	id := "s" + strconv.FormatInt(time.Now().UnixNano(), 36)
	wire, topic, err := t.seal(ctx, id, to, stateLife, body)
	if err == nil {
		err = t.publish(ctx, packet{topic: topic, payload: wire, retained: true})
	}
	if err != nil && ctx.Err() == nil && !errors.Is(err, link.ErrDown) && !errors.Is(err, net.ErrClosed) {
		t.log.Warn("publishing an announcement failed", "topic", topic, "err", err)
	}
	return err == nil
}

// will is this gateway's last will, signed in advance.
func (t *Trunk) will() *will {
	if len(t.opts.Meshes) == 0 || t.opts.ReceiveOnly {
		return nil
	}
	at := envelope.PresenceAt(t.opts.Meshes[0], t.opts.Call)
	topic, err := at.Under(t.opts.TopicRoot)
	if err != nil {
		return nil
	}
	return &will{topic: topic, payload: func() []byte {
		t.mu.Lock()
		say := presence.Say{Mesh: t.opts.Meshes[0]}
		for _, s := range t.says {
			if s.Mesh == say.Mesh {
				say = s
			}
		}
		t.mu.Unlock()
		wire, _, err := t.seal(context.Background(), "will", at, stateLife, t.presence(say, true))
		if err != nil {
			return nil
		}
		return wire
	}}
}

// Took implements link.Trunk.
func (t *Trunk) Took(ctx context.Context, taken link.Taken) error {
	for !t.opts.ReceiveOnly && !t.hushed.Load() && len(taken.Identities)+len(taken.Frames)+len(taken.Acks) > 0 {
		body := envelope.Taken{Mesh: taken.Mesh}
		for ; len(taken.Acks) > 0 && len(body.Acks) < envelope.MaxAcks; taken.Acks = taken.Acks[1:] {
			a := envelope.Ack(taken.Acks[0])
			a.Why = clip(a.Why, 400)
			if a.Fits() {
				body.Acks = append(body.Acks, a)
			}
		}
		body.Identities, taken.Identities = hashes(taken.Identities)
		body.Frames, taken.Frames = hashes(taken.Frames)
		wire, topic, err := t.seal(ctx, "t"+strconv.FormatInt(time.Now().UnixNano(), 36), envelope.TakenAt(taken.Mesh), time.Hour, body)
		if err != nil {
			return err
		}
		if err := t.publish(ctx, packet{topic: topic, payload: wire}); err != nil {
			return err
		}
	}
	return nil
}

// hashes splits off the first of a list, as many as fit into one event.
func hashes(list [][16]byte) (first []envelope.Hash, rest [][16]byte) {
	n := min(len(list), envelope.MaxTaken)
	for _, h := range list[:n] {
		first = append(first, envelope.Hash(h))
	}
	return first, list[n:]
}
