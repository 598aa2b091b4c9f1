package simulation

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/broker"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// In some worlds the trunk is the real one: each gateway has a key and a list of
// those that it believes, signs what it publishes, and checks what comes. The
// exchange is the broker between them. What it does to an event is what the wire
// does; it knows nothing of what is in it.
type exchange struct {
	wire *wire

	mu       sync.Mutex
	sessions map[string]*session // by the gateway's call sign; they outlive its lives
	retained map[string][]byte   // by topic
	old      []publish           // what a listener has kept for a replay
	keys     map[string]envelope.Key
}

// publish is one publish.
type publish struct {
	topic    string
	payload  []byte
	retained bool // the broker's memory of it
}

// session is what the broker knows of a gateway: what it wants to hear, and what
// it has not confirmed.
type session struct {
	filters []string
	box     []publish
	client  *client // nil: it is not connected
}

const topicRoot = "posthouse/1"

func newExchange(w *wire) *exchange {
	return &exchange{wire: w, sessions: map[string]*session{}, retained: map[string][]byte{}, keys: map[string]envelope.Key{}}
}

// client is a gateway's connection to the exchange, for one life of it.
type client struct {
	x    *exchange
	l    *life
	call string
	in   chan publish

	mu sync.Mutex
	up bool
}

var _ broker.Wire = (*client)(nil)

// Run implements broker.Wire.
func (c *client) Run(ctx context.Context, take broker.TakeFunc, state func(bool, string)) error {
	turns := c.x.wire.w.turns
	var reads sync.WaitGroup
	defer reads.Wait()
	defer c.x.disconnect(c)
	reads.Go(func() { c.read(ctx, take) })
	time.Sleep(c.x.wire.w.chance.between(0, time.Second, "tick", c.call)) // apart from the clerk's
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		turns.take("tick", c.call)
		if up := c.x.connect(c); up != c.isUp() {
			c.mu.Lock()
			c.up = up
			c.mu.Unlock()
			state(up, "the exchange")
			if up {
				c.x.deliver(c)
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

func (c *client) isUp() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.up
}

// read takes one publish after the other. What is not kept comes again.
func (c *client) read(ctx context.Context, take broker.TakeFunc) {
	w := c.x.wire.w
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
			return
		case p := <-c.in:
			w.turns.take("event", c.call, p.topic)
			if ctx.Err() != nil || take(ctx, p.topic, p.payload, p.retained) == nil && !c.l.dark.Load() {
				continue
			}
			w.after(2*time.Second, func() { c.x.arrive(c.call, p) }, "reconnect", c.call, p.topic)
		}
	}
}

// Publish implements broker.Wire.
func (c *client) Publish(_ context.Context, topic string, payload []byte, retained bool) error {
	c.x.wire.w.turns.take("publish", c.call, topic)
	if !c.isUp() || c.l.dark.Load() {
		return link.ErrDown
	}
	c.x.publish(c.call, topic, payload, retained)
	return nil
}

// Subscribe implements broker.Wire: what is remembered for new filters is told.
func (c *client) Subscribe(filters []string) {
	c.x.mu.Lock()
	defer c.x.mu.Unlock()
	s := c.x.session(c.call)
	old := s.filters
	s.filters = slices.Clone(filters)
	c.x.remember(c, func(topic string) bool { return covers(filters, topic) && !covers(old, topic) })
}

func covers(filters []string, topic string) bool {
	return slices.ContainsFunc(filters, func(f string) bool { return config.Covers(f, topic) })
}

// session gives a gateway's session. The caller holds the lock, here and below.
func (x *exchange) session(call string) *session {
	if x.sessions[call] == nil {
		x.sessions[call] = &session{}
	}
	return x.sessions[call]
}

// remember gives a client what is retained.
func (x *exchange) remember(c *client, wanted func(topic string) bool) {
	for _, topic := range slices.Sorted(maps.Keys(x.retained)) {
		if wanted(topic) {
			c.give(publish{topic, x.retained[topic], true})
		}
	}
}

func (c *client) give(p publish) {
	select {
	case c.in <- p:
	default:
		panic("a gateway does not read its trunk any more")
	}
}

// connect tells whether a client has its connection.
func (x *exchange) connect(c *client) bool {
	x.wire.mu.Lock()
	up := !x.wire.isCut(c.call) && !c.l.dark.Load()
	x.wire.mu.Unlock()
	x.mu.Lock()
	defer x.mu.Unlock()
	x.session(c.call).client = nil
	if up {
		x.session(c.call).client = c
	}
	return up
}

func (x *exchange) disconnect(c *client) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if s := x.session(c.call); s.client == c {
		s.client = nil
	}
}

// deliver gives a client that has just connected what was kept for it.
func (x *exchange) deliver(c *client) {
	x.mu.Lock()
	defer x.mu.Unlock()
	s := x.session(c.call)
	x.remember(c, func(topic string) bool { return covers(s.filters, topic) })
	for _, p := range s.box {
		c.give(p)
	}
	s.box = nil
}

// empty is a broker that has lost what it kept.
func (x *exchange) empty() {
	x.mu.Lock()
	defer x.mu.Unlock()
	clear(x.retained)
	for _, s := range x.sessions {
		s.box = nil
	}
}

// publish hands on what somebody has published.
func (x *exchange) publish(from, topic string, payload []byte, retained bool) {
	w := x.wire.w
	x.mu.Lock()
	defer x.mu.Unlock()
	if retained {
		x.retained[topic] = payload
	} else {
		x.old = append(x.old, publish{topic: topic, payload: payload})
		w.story("%s publishes on %s", from, topic)
	}
	for _, call := range slices.Sorted(maps.Keys(x.sessions)) {
		key := []string{"exchange", from, call, topic}
		if call == from || !covers(x.sessions[call].filters, topic) || w.chance.hits(x.wire.loss, append(key, "lost")...) {
			continue
		}
		p := publish{topic: topic, payload: payload}
		w.after(w.chance.between(10*time.Millisecond, x.wire.late, append(key, "slow")...), func() { x.arrive(call, p) }, append(key, "late")...)
		if w.chance.hits(x.wire.twice, append(key, "twice")...) {
			w.after(x.wire.late, func() { x.arrive(call, p) }, append(key, "again")...)
		}
	}
}

// arrive is a publish at a gateway's session.
func (x *exchange) arrive(call string, p publish) {
	x.mu.Lock()
	defer x.mu.Unlock()
	s := x.session(call)
	switch {
	case s.client != nil && !s.client.l.dark.Load():
		s.client.give(p)
	case len(s.box) < boxSize:
		s.box = append(s.box, p)
	}
}

// replay has a stranger publish again what he heard some time ago: where it was, or
// in another gateway's inbox.
func (x *exchange) replay(n int) {
	x.mu.Lock()
	if len(x.old) == 0 {
		x.mu.Unlock()
		return
	}
	p := x.old[n%len(x.old)]
	x.mu.Unlock()
	if gateways := x.wire.w.gateways; n%3 == 0 && strings.HasPrefix(p.topic, topicRoot+"/in/") {
		p.topic = topicRoot + "/in/" + gateways[n/3%len(gateways)].call
	}
	x.wire.w.story("a stranger replays what he had heard on %s", p.topic)
	x.slip(p)
}

// slip gives a publish to all who listen, at once.
func (x *exchange) slip(p publish) {
	x.mu.Lock()
	var to []string
	for _, call := range slices.Sorted(maps.Keys(x.sessions)) {
		if covers(x.sessions[call].filters, p.topic) {
			to = append(to, call)
		}
	}
	x.mu.Unlock()
	for _, call := range to {
		x.arrive(call, p)
	}
}

// key gives somebody's nth key.
func (x *exchange) key(call string, n int) envelope.Key {
	x.mu.Lock()
	defer x.mu.Unlock()
	name := fmt.Sprintf("%s %d", call, n)
	if k, ok := x.keys[name]; ok {
		return k
	}
	seed := sha256.Sum256([]byte(name))
	der, err := x509.MarshalPKCS8PrivateKey(ed25519.NewKeyFromSeed(seed[:]))
	if err != nil {
		panic(err)
	}
	k, err := envelope.ParseKey(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
	if err != nil {
		panic(err)
	}
	x.keys[name] = k
	return k
}

// utter has somebody publish what he has signed.
func (x *exchange) utter(key envelope.Key, source string, to envelope.Topic, body envelope.Body) {
	now := time.Now()
	x.mu.Lock()
	x.wire.last++
	number := uint64(now.UnixMilli()) + x.wire.last
	x.mu.Unlock()
	e := envelope.Event{
		ID: fmt.Sprintf("%s.%d", source, number), Source: source, Root: topicRoot, Topic: to, Number: number,
		Signed: now.UTC().Truncate(time.Millisecond), Lifetime: time.Hour, Body: body,
	}
	payload, err := envelope.Seal(key, e)
	topic, err2 := to.Under(topicRoot)
	if err != nil || err2 != nil {
		panic(fmt.Sprint(err, err2))
	}
	if to.Kind == envelope.OfPresence || to.Kind == envelope.OfHeard {
		x.mu.Lock()
		x.retained[topic] = payload
		x.mu.Unlock()
	}
	x.slip(publish{topic: topic, payload: payload})
}

// believe changes the list of those that a gateway believes, and with which of
// their keys.
func (g *gateway) believe(change func(keys map[string][]int)) {
	change(g.keys)
	if err := os.WriteFile(g.trustFile(), g.trustList(), 0o600); err != nil {
		panic(err)
	}
	now := time.Now() // of the world: two changes never have one time
	if err := os.Chtimes(g.trustFile(), now, now); err != nil {
		panic(err)
	}
}

func (g *gateway) trustList() []byte {
	var lines []string
	for _, call := range slices.Sorted(maps.Keys(g.keys)) {
		for _, n := range g.keys[call] {
			lines = append(lines, g.w.wire.exchange.key(call, n).Public().JWK(call)+"\n")
		}
	}
	return []byte(strings.Join(lines, ""))
}

// trustFile lies beside the store's folder, of which a power cut leaves what it
// likes.
func (g *gateway) trustFile() string { return filepath.Clean(g.dir) + ".trust" }

// signedTrunk is the real trunk, and somebody beside it who writes down what
// crosses it.
type signedTrunk struct {
	*broker.Trunk
	l *life
}

func (l *life) signed(groups []string) *signedTrunk {
	g := l.g
	c := &client{x: g.w.wire.exchange, l: l, call: g.call, in: make(chan publish, 10000)}
	t, err := broker.NewTrunk(broker.TrunkOptions{
		Name: "far", Call: g.call, Wire: c, TopicRoot: topicRoot, Key: g.w.wire.exchange.key(g.call, g.keyNumber),
		TrustFile: g.trustFile(), TrustAny: g.w.plan.any, Groups: groups, Meshes: []string{g.mesh}, Wall: l.clock.Wall, Log: l.log,
	})
	if err != nil {
		panic(err)
	}
	return &signedTrunk{t, l}
}

// Run implements link.Link.
func (t *signedTrunk) Run(ctx context.Context, host link.Host) error {
	return t.Trunk.Run(ctx, &witness{host.(link.TrunkHost), t.l})
}

// Send implements link.Link.
func (t *signedTrunk) Send(ctx context.Context, frames []link.Frame) []error {
	t.l.g.w.turns.take("send", t.l.g.call, "far", frames[0].Record, frames[0].Text)
	if ctx.Err() != nil { // what has several ways to go on would choose by chance
		return slices.Repeat([]error{ctx.Err()}, len(frames))
	}
	errs := t.Trunk.Send(ctx, frames)
	for i := range frames {
		if errs[i] == nil {
			t.l.g.w.ledger.passed(t.l.g.call, &frames[i])
			if frames[i].Gateway == liar {
				t.l.g.w.given(t.l.g.call, &frames[i])
			}
		}
	}
	return errs
}

// witness writes down what a gateway takes over from others.
type witness struct {
	link.TrunkHost
	l *life
}

// AcceptMarked implements link.TrunkHost.
func (h *witness) AcceptMarked(ctx context.Context, marks map[string][]byte, in ...message.Message) ([]link.Verdict, error) {
	verdicts, err := h.TrunkHost.AcceptMarked(ctx, marks, in...)
	if err == nil && !h.l.dark.Load() {
		for i := range in {
			h.l.g.w.ledger.answered(h.l.g.call, "far", &in[i], verdicts[i])
		}
	}
	return verdicts, err
}
