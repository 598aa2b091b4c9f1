package simulation

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue/boltstore"

	"github.com/prometheus/client_golang/prometheus"
)

// gateway is one computer with posthouse on it, its disk, its clock and the
// brokers beside it.
type gateway struct {
	w    *world
	call string
	dir  string
	mesh string
	cfg  *config.Config
	wall wall

	// power holds a word while nobody switches the gateway on or off. No mutex: in
	// a bubble time stands still while somebody waits for one.
	power chan struct{}

	mu    sync.Mutex
	life  *life // nil while it is off
	boxes map[string][]message.Message
	until map[string]time.Time // troubles, and when they end

	keyNumber int              // which of its keys it signs with
	keys      map[string][]int // whom it believes, with which keys
	log       strings.Builder
}

// life is a gateway from one start to its end.
type life struct {
	g      *gateway
	bridge *bridge.Bridge
	disk   *disk
	clock  *clock.Clock
	log    *slog.Logger
	ports  map[string]*port
	trunk  *end
	dark   atomic.Bool // the power is gone: nothing crosses an edge any more
	stop   func()
}

func newGateway(w *world, p gatewayPlan, dir string) *gateway {
	cfg, findings := config.Load(p.env, config.Hooks{})
	for _, f := range findings {
		if f.Level == config.Error && !strings.HasSuffix(f.Variable, "SIGNING_KEY_FILE") { // the wire needs none
			panic(f.String())
		}
	}
	g := &gateway{w: w, call: p.call, mesh: p.mesh, dir: dir, cfg: cfg, power: make(chan struct{}, 1), boxes: map[string][]message.Message{}, until: map[string]time.Time{}, keys: w.plan.believed()}
	g.power <- struct{}{}
	return g
}

// alive gives the present life; nil while the gateway is off.
func (g *gateway) alive() *life {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.life
}

// fails tells whether a trouble is there now.
func (g *gateway) fails(trouble string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return time.Now().Before(g.until[trouble])
}

func (g *gateway) trouble(what string, d time.Duration) {
	g.w.ledger.note(entry{what: badDisk, gateway: g.call, until: g.w.since() + d})
	g.mu.Lock()
	defer g.mu.Unlock()
	g.until[what] = time.Now().Add(d)
}

// darken is the moment in which the power goes.
func (l *life) darken() {
	if !l.dark.Swap(true) {
		l.g.w.ledger.note(entry{what: crashed, gateway: l.g.call})
	}
}

// dieNow cuts the power in this very moment, before anybody in there hears of
// what has just gone out, and brings it back a minute later.
func (l *life) dieNow() {
	l.darken()
	go func() {
		l.g.crash(l)
		l.g.w.after(time.Minute, l.g.on, "on", l.g.call)
	}()
}

// on starts the gateway on what its disk holds. As long as that cannot be read
// it is tried again, as the system's init does.
func (g *gateway) on() {
	<-g.power
	defer func() { g.power <- struct{}{} }()
	if g.alive() != nil {
		return
	}
	for g.begin() != nil {
		time.Sleep(5 * time.Second)
	}
}

func (g *gateway) begin() error {
	l := &life{g: g, ports: map[string]*port{}, log: slog.New(slog.DiscardHandler)}
	if g.w.keepLogs {
		l.log = slog.New(slog.NewTextHandler(writer{g}, &slog.HandlerOptions{Level: slog.LevelDebug}))
	}
	var err error
	if l.disk, err = openDisk(g, g.dir, boltstore.Options{NoSync: true, MinFree: -1, LogBytes: logBytes, Log: l.log}); err != nil {
		panic(fmt.Sprintf("%s: %v", g.call, err))
	}
	saved, err := bridge.SavedClock(context.Background(), l.disk)
	if err != nil {
		return errors.Join(err, l.disk.Close())
	}
	l.clock = clock.New(saved, g.wall.now, g.wall.synced)
	ways, labels := map[string]link.Link{}, []metrics.Link(nil)
	for _, cfg := range g.cfg.Links {
		labels = append(labels, metrics.Link{Name: cfg.Name, Kind: cfg.Kind})
		ways[cfg.Name] = l.connect(cfg)
	}
	l.bridge, err = bridge.New(context.Background(), bridge.Options{
		Config: g.cfg, Links: ways, Store: l.disk, Log: l.log, Clock: l.clock,
		Meter: metrics.New(prometheus.NewRegistry(), labels, link.Codes),
	})
	if err != nil {
		return errors.Join(err, l.disk.Close())
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.bridge.Run(ctx) }()
	l.stop = func() {
		cancel()
		if err := <-done; err != nil && !l.dark.Load() {
			g.w.ledger.complain("%s: Run ended with %v", g.call, err)
		}
		if err := l.disk.Close(); err != nil && !l.dark.Load() {
			g.w.ledger.complain("%s: closing the store: %v", g.call, err)
		}
	}
	g.mu.Lock()
	g.life = l
	g.mu.Unlock()
	g.w.ledger.note(entry{what: started, gateway: g.call})
	return nil
}

// connect makes the link of one of the settings.
func (l *life) connect(cfg config.Link) link.Link {
	g := l.g
	if cfg.Trunk != nil && g.w.plan.signed {
		return l.signed(cfg.Groups)
	}
	if cfg.Trunk != nil {
		l.trunk = newEnd(g.w.wire, l, cfg.Groups)
		return l.trunk
	}
	p := &port{l: l, cfg: cfg, props: properties(&cfg)}
	switch {
	case cfg.Mesh != nil:
		m := g.w.meshes[cfg.Mesh.Mesh]
		p.out = func(f link.Frame) error { return m.transmit(g, f) }
	case cfg.APRS != nil:
		p.out = func(f link.Frame) error { return g.w.meshes[aprsNet].transmit(g, f) }
	default:
		p.out = func(f link.Frame) error { return g.w.mail.take(g, l, f) }
	}
	l.ports[cfg.Name] = p
	return p
}

// off stops the gateway in good order.
func (g *gateway) off() {
	<-g.power
	defer func() { g.power <- struct{}{} }()
	l := g.leave()
	if l == nil {
		return
	}
	g.w.ledger.note(entry{what: stopped, gateway: g.call})
	l.stop()
}

// leave takes the present life out of use; what comes in from now on is kept.
func (g *gateway) leave() *life {
	g.mu.Lock()
	defer g.mu.Unlock()
	l := g.life
	g.life = nil
	return l
}

// cut cuts the power in the middle of a commit, and leaves on the disk what is
// left of it.
func (g *gateway) cut(how string) {
	<-g.power
	defer func() { g.power <- struct{}{} }()
	l := g.alive()
	if l == nil || l.dark.Load() {
		return
	}
	if g.w.plan.remote && how != cutBefore {
		how = cutAfter // what is written beyond a network is not torn
	}
	img := l.disk.cutSoon(how, 20*time.Second)
	g.leave()
	l.stop()
	img.put(g.dir)
}

// crash ends a life whose power is gone, and leaves on the disk what is there.
func (g *gateway) crash(l *life) {
	<-g.power
	defer func() { g.power <- struct{}{} }()
	if g.alive() != l {
		return
	}
	img := l.disk.cutSoon(cutAfter, time.Nanosecond)
	g.leave()
	l.stop()
	img.put(g.dir)
}

// writer keeps a gateway's log, each line with the time.
type writer struct{ g *gateway }

func (w writer) Write(b []byte) (int, error) {
	w.g.mu.Lock()
	defer w.g.mu.Unlock()
	return w.g.log.Write(b)
}
