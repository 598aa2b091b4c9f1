package bridge_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/adapters/memory"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue"
	"posthouse/queue/boltstore"

	"github.com/prometheus/client_golang/prometheus"
)

// country is several gateways with their meshes and a trunk between them.
type country struct {
	t     *testing.T
	wire  *wire
	posts map[string]*post
	airs  map[string]*air
}

// post is one gateway.
type post struct {
	c      *country
	call   string
	dir    string
	cfg    *config.Config
	links  map[string]*memory.Link
	store  *boltstore.Store
	bridge *bridge.Bridge
	log    strings.Builder
	stop   func()
	full   atomic.Bool            // its store has no room for new texts
	broken atomic.Bool            // its disk fails
	unsure atomic.Bool            // nobody has synchronised its clock
	next   atomic.Pointer[func()] // is done once, right after the next write to the store
	writes atomic.Int64           // to the store

	mu   sync.Mutex
	sent map[string][]link.Frame // what went out on APRS and mail links
}

// air is the radio of one mesh: stations, and gateways that hear them and each
// other.
type air struct {
	c    *country
	name string
	via  bool // frames of gateways carry their call sign
	next *air // a foreign bridge puts there what it hears here; nil: there is none

	mu     sync.Mutex
	here   map[string]bool // stations within reach
	mute   map[string]bool // stations that acknowledge nothing
	deaf   map[string]bool // gateways that hear nothing
	frames []link.Frame    // all that gateways transmitted
}

var twoOnOneMesh = []string{"N0QRA-10 valley mail", "N0QRB-10 valley mail"}

// threeGateways are two on the valley mesh and one far away.
var threeGateways = []string{"N0QRA-10 valley", "N0QRB-10 valley", "N0QRE-10 hill"}

// inCountry runs a test in a bubble with these gateways: "N0QRA-10 valley mail".
func inCountry(t *testing.T, gateways []string, test func(t *testing.T, c *country)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		c := &country{t: t, wire: newWire(), posts: map[string]*post{}, airs: map[string]*air{}}
		for _, g := range gateways {
			c.settle(strings.Fields(g))
		}
		defer func() {
			for _, p := range c.posts {
				p.shut()
				if t.Failed() {
					t.Logf("log of %s:\n%s", p.call, p.log.String())
				}
			}
		}()
		for _, call := range c.calls() {
			c.posts[call].start()
		}
		time.Sleep(2 * time.Minute) // until all know each other
		test(t, c)
	})
}

func (c *country) calls() (out []string) {
	for call := range c.posts {
		out = append(out, call)
	}
	slices.Sort(out)
	return out
}

// settle sets a gateway up: its call sign, then its meshes and links; words with
// = are settings.
func (c *country) settle(words []string) {
	call := words[0]
	names, env := []string{"far"}, []string{
		"POSTHOUSE_CALLSIGN=" + call, "POSTHOUSE_COUNTRY=US", "POSTHOUSE_RATE=1000/10m",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://127.0.0.1:1883",
		"POSTHOUSE_FAR_SIGNING_KEY_FILE=" + filepath.Join("testdata", "any.key"), "POSTHOUSE_FAR_TRUST=any",
	}
	for _, w := range words[1:] {
		switch {
		case strings.Contains(w, "="):
			env = append(env, "POSTHOUSE_"+w)
		case w == "mail":
			names = append(names, "post")
			env = append(env, "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST=127.0.0.1:25", "POSTHOUSE_POST_SMARTHOST_TLS=none")
		case w == "aprs":
			names = append(names, "aprs")
			env = append(env, "POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=127.0.0.1:14580", "POSTHOUSE_APRS_PASSCODE=1")
		default:
			names = append(names, w)
			n := "POSTHOUSE_" + strings.ToUpper(w)
			env = append(env, n+"_KIND=mesh", n+"_BROKER_URL=tcp://127.0.0.1:1883", n+"_FROM_TOPIC="+w+"/from", n+"_MESH="+w)
			if c.airs[w] == nil {
				c.airs[w] = &air{c: c, name: w, via: true, here: map[string]bool{}, mute: map[string]bool{}, deaf: map[string]bool{}}
			}
		}
	}
	env = append(env, "POSTHOUSE_LINKS="+strings.Join(names, ","))
	cfg, findings := config.Load(env, config.Hooks{})
	for _, f := range findings {
		if f.Level == config.Error && !strings.HasSuffix(f.Variable, "SIGNING_KEY_FILE") {
			c.t.Fatal(f)
		}
	}
	c.posts[call] = &post{c: c, call: call, dir: c.t.TempDir(), cfg: cfg, sent: map[string][]link.Frame{}}
}

func (p *post) start() {
	t := p.c.t
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var err error
	log := slog.New(slog.NewTextHandler(&p.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	if p.store, err = boltstore.Open(filepath.Join(p.dir, "queue.db"), boltstore.Options{NoSync: true, MinFree: -1, Log: log}); err != nil {
		t.Fatal(err)
	}
	saved, err := bridge.SavedClock(ctx, p.store)
	if err != nil {
		t.Fatal(err)
	}
	links := map[string]*memory.Link{}
	ways := map[string]link.Link{}
	var labels []metrics.Link
	var pumps sync.WaitGroup
	for _, l := range p.cfg.Links {
		labels = append(labels, metrics.Link{Name: l.Name, Kind: l.Kind})
		if l.Trunk != nil {
			e := newEnd(p.c.wire, p.call, l.Groups)
			e.mute = !l.MaySend()
			ways[l.Name] = e
			continue
		}
		m := memory.New(properties(&l))
		links[l.Name], ways[l.Name] = m, m
		pumps.Go(func() { p.pump(ctx, l.Name, m) })
	}
	p.mu.Lock()
	p.links = links
	p.mu.Unlock()
	p.bridge, err = bridge.New(ctx, bridge.Options{
		Config: p.cfg, Links: ways, Store: fillable{p.store, &p.full, &p.broken, &p.next, &p.writes}, Log: log,
		Clock: clock.New(saved, time.Now, func() bool { return !p.unsure.Load() }),
		Meter: metrics.New(prometheus.NewRegistry(), labels, link.Codes),
	})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- p.bridge.Run(ctx) }()
	p.stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("%s: Run: %v", p.call, err)
		}
		pumps.Wait()
		if err := p.store.Close(); err != nil {
			t.Errorf("%s: closing the store: %v", p.call, err)
		}
	}
	synctest.Wait()
}

// fillable is a store that has no room for new texts, or whose disk fails, while the test
// says so, and after whose next write something else may happen first.
type fillable struct {
	*boltstore.Store
	full, broken *atomic.Bool
	next         *atomic.Pointer[func()]
	writes       *atomic.Int64
}

func (s fillable) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if s.broken.Load() {
		return nil, errors.New("input/output error")
	}
	if s.full.Load() && slices.ContainsFunc(ops, func(op queue.Op) bool { return op.New != nil && !op.Urgent && op.New.Message.Kind == message.Text }) {
		return nil, queue.ErrFull
	}
	s.writes.Add(1)
	done, err := s.Store.Apply(ctx, ops...)
	if do := s.next.Swap(nil); do != nil {
		(*do)()
	}
	return done, err
}

func (p *post) shut() {
	if p.stop != nil {
		p.stop()
		p.stop = nil
	}
}

func (p *post) restart() {
	p.shut()
	p.start()
}

// pump takes what a link sends: on a mesh it is on the air.
func (p *post) pump(ctx context.Context, name string, l *memory.Link) {
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-l.Sent():
			if a := p.c.airs[name]; a != nil {
				a.transmit(ctx, p, f)
				continue
			}
			p.mu.Lock()
			p.sent[name] = append(p.sent[name], f)
			p.mu.Unlock()
		}
	}
}

func (p *post) link(name string) *memory.Link {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.links[name]
}

// went gives what went out on an APRS or mail link, a line each.
func (p *post) went(name string) (out []string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, f := range p.sent[name] {
		out = append(out, show(f))
	}
	return out
}

// frame gives the last that went out on such a link.
func (p *post) frame(name string) link.Frame {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.sent[name]) == 0 {
		p.c.t.Fatalf("%s: nothing went out on %s", p.call, name)
	}
	return p.sent[name][len(p.sent[name])-1]
}

// transmit puts a gateway's frame on the air: the others hear it, and the station
// acknowledges it a second later.
func (a *air) transmit(ctx context.Context, by *post, f link.Frame) {
	a.mu.Lock()
	a.frames = append(a.frames, f)
	acks := a.here[f.Message.To] && !a.mute[f.Message.To] && f.ID != ""
	a.mu.Unlock()
	m := message.Message{Kind: f.Message.Kind, From: f.Message.From, To: f.Message.To, OriginID: f.ID, Text: f.Text, Acks: f.Message.Acks, Nak: f.Message.Nak}
	if a.via {
		m.Via = by.call
	}
	if m.Kind == message.Notice {
		m.Kind = message.Text // a mesh knows no notices
	}
	go func() {
		a.heardBy(ctx, m, by.call)
		a.relay(ctx, m)
		if acks {
			time.Sleep(time.Second)
			ack := message.Message{Kind: message.Receipt, From: f.Message.To, To: f.Message.From, Acks: f.ID}
			a.heardBy(ctx, ack, "")
			a.relay(ctx, ack)
		}
	}()
}

// relay has foreign bridges put a frame on one mesh after the other, until it is back.
// They know nothing of gateways.
func (a *air) relay(ctx context.Context, m message.Message) {
	m.Via = ""
	go func() {
		for at := a.next; at != nil && ctx.Err() == nil; at = at.next {
			select {
			case <-ctx.Done():
				return
			case <-time.After(2 * time.Second):
			}
			at.heardBy(ctx, m, "")
			if at == a {
				return
			}
		}
	}()
}

// heardBy has all gateways of the mesh hear a frame, but for one and the deaf.
func (a *air) heardBy(ctx context.Context, m message.Message, but string) {
	for _, call := range a.c.calls() {
		p := a.c.posts[call]
		a.mu.Lock()
		deaf := a.deaf[call]
		a.mu.Unlock()
		if l := p.link(a.name); l != nil && call != but && !deaf && ctx.Err() == nil {
			l.Hear(ctx, m) // a gateway that is away hears nothing
		}
	}
}

// says has a station write a text.
func (a *air) says(from, to, id, text string) {
	a.appears(from)
	m := message.Message{Kind: message.Text, From: from, To: to, OriginID: id, Text: text}
	a.heardBy(a.c.t.Context(), m, "")
	a.relay(a.c.t.Context(), m)
	synctest.Wait()
}

// appears brings a station within reach of the mesh, and of no other.
func (a *air) appears(call string) {
	for _, other := range a.c.airs {
		other.mu.Lock()
		other.here[call] = other == a
		other.mu.Unlock()
	}
}

// beacon has a station be heard.
func (a *air) beacon(call string) {
	a.appears(call)
	a.heardBy(a.c.t.Context(), message.Message{Kind: message.Beacon, From: call, Messaging: true}, "")
	synctest.Wait()
}

// position has a station tell where it is.
func (a *air) position(call string, lat, lon float64) {
	a.appears(call)
	a.heardBy(a.c.t.Context(), message.Message{Kind: message.Position, From: call, Where: &message.Where{Lat: lat, Lon: lon}}, "")
	synctest.Wait()
}

// silence has a station acknowledge nothing, or ends that.
func (a *air) silence(call string, on bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.mute[call] = on
}

// acks has a station acknowledge what another one of the mesh sent.
func (a *air) acks(from, to, id string) {
	a.heardBy(a.c.t.Context(), message.Message{Kind: message.Receipt, From: from, To: to, Acks: id}, "")
}

// deafen has a gateway hear nothing of the mesh, or ends that.
func (a *air) deafen(call string, on bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.deaf[call] = on
}

// told gives the lines that gateways transmitted to somebody.
func (a *air) told(to string) (out []string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, f := range a.frames {
		if f.Message.To == to {
			out = append(out, show(f))
		}
	}
	return out
}

// ids gives the ids of the frames that went to a station, each once.
func (a *air) ids(to string) (out []string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, f := range a.frames {
		if f.Message.To == to && !slices.Contains(out, f.ID) {
			out = append(out, f.ID)
		}
	}
	return out
}

// first gives the first frame that a gateway transmitted.
func (a *air) first() link.Frame {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.frames) == 0 {
		a.c.t.Fatal("no gateway has transmitted")
	}
	return a.frames[0]
}

// same compares lists of lines.
func same(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s\ngot  %s\nwant %s", what, strings.Join(got, "\n     "), strings.Join(want, "\n     "))
	}
}

// count counts the lines that hold these words.
func count(lines []string, words string) (n int) {
	for _, l := range lines {
		if strings.Contains(l, words) {
			n++
		}
	}
	return n
}

// once demands one line with these words.
func once(t *testing.T, what string, lines []string, words string) {
	t.Helper()
	if count(lines, words) != 1 {
		t.Errorf("%s: want once %q in %q", what, words, lines)
	}
}

func sorted(lines []string) []string {
	slices.Sort(lines)
	return lines
}

// outcomes gives what became of a gateway's records of a text, an outcome each.
func (p *post) outcomes(text string) (out []string) {
	p.c.t.Helper()
	all, err := p.store.List(p.c.t.Context(), false, 0, 10000)
	if err != nil {
		p.c.t.Fatal(err)
	}
	for _, r := range all {
		if r.Message.Kind == message.Text && r.Message.Text == text {
			o := string(r.Outcome)
			if o == "" {
				o = "open:"
				for _, d := range r.Deliveries {
					o += string(d.State)
				}
			}
			out = append(out, o)
		}
	}
	return out
}

// mails gives what all gateways mailed, a line each.
func (c *country) mails() (out []string) {
	for _, call := range c.calls() {
		out = append(out, c.posts[call].went("post")...)
	}
	return out
}

// open counts what is still open anywhere, for the end of a test.
func (c *country) open() (out []string) {
	for _, call := range c.calls() {
		p := c.posts[call]
		all, err := p.store.List(c.t.Context(), true, 0, 10000)
		if err != nil {
			c.t.Fatal(err)
		}
		for _, r := range all {
			if r.Open() {
				var states []queue.State
				for _, d := range r.Deliveries {
					states = append(states, d.State)
				}
				out = append(out, fmt.Sprintf("%s: %s %s>%s %q %v", call, r.Message.Kind, r.Message.From, r.Message.To, r.Message.Text, states))
			}
		}
	}
	return out
}

// transmitter tells who transmits on a mesh.
func (c *country) transmitter(mesh string) (out []string) {
	for _, call := range c.calls() {
		p := c.posts[call]
		if p.stop == nil {
			continue
		}
		for _, l := range p.bridge.Links() {
			if l.Name == mesh && l.Up && l.Transmits {
				out = append(out, call)
			}
		}
	}
	return out
}

func textFrom(from, to, id, text string) message.Message {
	return message.Message{Kind: message.Text, From: from, To: to, OriginID: id, Text: text, SenderCall: "N0QRH"}
}

func beaconOf(call string) message.Message {
	return message.Message{Kind: message.Beacon, From: call, Messaging: true}
}
