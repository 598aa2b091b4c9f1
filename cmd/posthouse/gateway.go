package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"posthouse/adapters"
	"posthouse/adapters/web"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue"
)

// What is in the data folder besides the control socket and the key of bounce addresses.
const (
	queueFile  = "queue.db"
	journalDir = "air"
)

// gateway is one daemon.
type gateway struct {
	cfg     *config.Config
	log     *slog.Logger
	mu      sync.Mutex // guards store and hub, which rejoin replaces; the goroutine of run need not lock to read
	store   store      // nil until it has answered for the first time
	hub     shared     // the store again, if it is a hub's; nil: no hub
	clock   *clock.Clock
	meter   *metrics.Metrics
	reg     *prometheus.Registry
	pulse   *pulse
	leads   bool // this process does what only one of a hub may do
	bridge  *bridge.Bridge
	links   map[string]link.Link
	public  *web.Public
	control net.Listener
	http    net.Listener // nil: turned off
}

// open makes a gateway: the store first, since its lock shows whether another daemon runs
// here. If a hub's store does not answer yet, run does the rest. On an error everything
// that was opened is closed.
func open(ctx context.Context, cfg *config.Config, log *slog.Logger) (g *gateway, err error) {
	g = &gateway{cfg: cfg, log: log, links: map[string]link.Link{}}
	defer func() {
		if err != nil {
			g.close()
		}
	}()
	if exists(filepath.Join(cfg.DataDir, unfinishedFile)) {
		return g, fail(exitDisk, fmt.Errorf("a restore into %s was not finished: run 'posthouse restore' again", cfg.DataDir))
	}
	reg := prometheus.NewRegistry()
	g.reg, g.meter = reg, metrics.New(reg, linkLabels(cfg), link.Codes)
	v, c := build()
	g.meter.Build(v, c)
	g.pulse = &pulse{Meter: g.meter}
	s, err := openStore(ctx, cfg, g.storeOptions())
	if errors.Is(err, queue.ErrAway) {
		log.Warn("the queue cannot be opened yet", "err", err)
		return g, nil // run waits for it
	}
	if err != nil {
		return g, fail(exitDisk, withRemedy(err, cfg.DataDir))
	}
	if _, ok := s.(local); ok { // its lock is ours: no restore is at work
		forgetStages(cfg.DataDir)
	}
	return g, g.begin(ctx, s)
}

// begin continues with the store, once that is open.
func (g *gateway) begin(ctx context.Context, s store) error {
	if g.use(s); g.hub != nil {
		g.meter.Hub(func() bool { _, hub := g.current(); return hub.Leads() }, func() int { _, hub := g.current(); return hub.Shares() })
	}
	saved, err := bridge.SavedClock(ctx, g.store)
	if err != nil {
		return fail(exitDisk, fmt.Errorf("the saved clock: %w", err))
	}
	g.clock = clock.System(saved)
	g.meter.Queue(g.snapshot)
	return g.assemble(ctx)
}

func (g *gateway) storeOptions() storeOptions {
	return storeOptions{log: g.log, onCommit: g.meter.Commit}
}

// use sets the store that the gateway works with.
func (g *gateway) use(s store) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.store = s
	g.hub, _ = s.(shared)
}

// current returns the store that the gateway works with now.
func (g *gateway) current() (store, shared) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.store, g.hub
}

// assemble makes the bridge, its links and their servers. A process of a hub does so again
// when it becomes the leader.
func (g *gateway) assemble(ctx context.Context) (err error) {
	cfg := g.cfg
	g.leads = g.hub == nil || g.hub.Leads()
	if err := g.makeLinks(); err != nil {
		return err
	}
	g.bridge, err = bridge.New(ctx, bridge.Options{
		Config: cfg, Links: g.links, Store: g.store, Clock: g.clock, Meter: g.pulse, Log: g.log, Share: g.share(), Helps: !g.leads,
		JournalDir: filepath.Join(cfg.DataDir, journalDir), Room: g.store.Room,
	})
	if err != nil {
		return fail(exitConfig, err)
	}
	g.public = &web.Public{
		Desk: g.bridge, Metrics: g.metrics(), Healthy: g.store.Healthy, Lack: g.lack,
		ClockDoubt: func() string { return g.bridge.ClockDoubt() }, Listen: cfg.HTTPListen, Operators: cfg.Operators,
	}
	return g.listen()
}

// metrics are not compressed: that would cost more than a megabyte of memory for each
// request, to save 30 kB on a local network.
func (g *gateway) metrics() http.Handler {
	return promhttp.HandlerFor(g.reg, promhttp.HandlerOpts{Timeout: 10 * time.Second, DisableCompression: true})
}

// share is the bridge's share of a hub; nil: no hub.
func (g *gateway) share() queue.Share {
	if g.hub == nil {
		return nil // a nil shared would not be a nil Share
	}
	return g.hub
}

func linkLabels(cfg *config.Config) []metrics.Link {
	var out []metrics.Link
	for _, l := range cfg.Links {
		out = append(out, metrics.Link{Name: l.Name, Kind: l.Kind})
	}
	return out
}

func (g *gateway) makeLinks() error {
	key, err := bounceKey(g.cfg.DataDir, g.log)
	if err != nil {
		return fail(exitDisk, withRemedy(err, g.cfg.DataDir))
	}
	v, _ := build()
	needs := adapters.Needs{
		Call: g.cfg.Callsign, Version: v, Log: g.log, BounceKey: key,
		MayAnswer: func(l config.Link, address, station string) bool {
			return g.bridge.MayAnswer(address, station, l.Mail.ReplyFor)
		},
		Named:        g.cfg.Named,
		ClockTrusted: g.clockTrusted,
		Wall:         func() (time.Time, bool) { return g.clock.Wall() },
		Helps:        !g.leads,
	}
	if g.hub != nil {
		needs.Process = g.hub.Process()
	}
	for _, l := range g.cfg.Links {
		if l.Mesh != nil && l.Mesh.Mesh != "" {
			needs.Meshes = append(needs.Meshes, l.Mesh.Mesh)
		}
	}
	for _, l := range g.cfg.Links {
		made, err := adapters.New(l, needs)
		if err != nil {
			return fail(cannotWork(err), err)
		}
		g.links[l.Name] = made
		if needs.Helps && l.Once() {
			g.meter.Elsewhere(l.Name)
		}
	}
	return nil
}

func (g *gateway) clockTrusted() bool {
	_, ok := g.clock.Wall()
	return ok
}

// lack says why the store takes nothing new; empty: it does.
func (g *gateway) lack() string {
	r, _ := g.store.Room()
	return r.Lack()
}

// listen binds the control socket and the public address.
func (g *gateway) listen() (err error) {
	if g.control, err = web.ListenControl(g.cfg.DataDir); err != nil {
		return fail(exitDisk, withRemedy(err, g.cfg.DataDir))
	}
	if g.cfg.HTTPListen == "" {
		return nil
	}
	if g.http, err = net.Listen("tcp", g.cfg.HTTPListen); err != nil {
		return fail(cannotWork(err), fmt.Errorf("POSTHOUSE_HTTP_LISTEN: %w; choose another address, or leave it empty to turn it off", err))
	}
	return nil
}

// run runs until ctx ends or a link fails for good, then stops everything and saves what is
// in memory. A process of a hub starts over when it becomes the leader, and when it takes
// part again after it was cut off.
func (g *gateway) run(ctx context.Context, environ env) error {
	defer g.keepWatch()()
	if g.store == nil {
		if err := g.arrive(ctx); err != nil || ctx.Err() != nil {
			return err
		}
	}
	for {
		err := g.work(ctx, environ)
		switch {
		case errors.Is(err, errWon):
			g.log.Info("this process leads the hub now")
			err = g.assemble(ctx)
		case errors.Is(err, errLost):
			err = g.rejoin(ctx)
		default:
			return err
		}
		if ctx.Err() != nil {
			return nil // told to stop meanwhile
		}
		if err != nil {
			return err
		}
	}
}

// keepWatch tells the service manager that the gateway is alive, if that asks for it, until
// end is called.
func (g *gateway) keepWatch() (end func()) {
	interval, err := daemon.SdWatchdogEnabled(false)
	if err != nil || interval <= 0 {
		return func() {}
	}
	ctx, cancel := context.WithCancel(context.Background())
	mending := func() bool {
		s, _ := g.current()
		if s == nil {
			return true
		}
		why := s.Healthy()
		return why != nil && !errors.Is(why, queue.ErrHangs)
	}
	var watching sync.WaitGroup
	watching.Go(func() { watch(ctx, interval, g.pulse, mending, func(s string) { daemon.SdNotify(false, s) }) })
	return func() { cancel(); watching.Wait() }
}

func (g *gateway) work(ctx context.Context, environ env) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var desk sync.WaitGroup
	if g.hub != nil {
		desk.Go(func() { g.heedHub(ctx, cancel) })
	}
	if s, ok := g.store.(local); ok {
		desk.Go(func() { endOn(ctx, s.Removed(), cancel, errRemoved) })
	}
	save := &saver{g: g, environ: environ}
	desk.Go(func() { web.ServeControl(ctx, g.control, g.bridge, save.save, g.log) })
	if g.http != nil {
		desk.Go(func() { g.public.Serve(ctx, g.http, g.log) })
	}
	err := g.bridge.Run(ctx)
	cancel(nil)
	desk.Wait()
	g.control, g.http = nil, nil // their servers closed them
	switch cause := context.Cause(ctx); {
	case errors.Is(cause, errLost):
		return errLost
	case errors.Is(cause, errWon):
		return errWon
	case errors.Is(cause, errRemoved):
		return fail(exitDisk, errRemoved)
	}
	return fail(cannotWork(err), err)
}

// cannotWork is the exit code for what stops the gateway. After wrong settings it is not
// restarted, since they need a person. An address that does not exist yet may appear, as
// after a power failure with a slow router, one in use may become free, and so may what the
// system lacks.
func cannotWork(err error) int {
	for _, passes := range []error{syscall.EADDRNOTAVAIL, syscall.EADDRINUSE, syscall.EMFILE, syscall.ENFILE, syscall.ENOBUFS, syscall.ENOMEM} {
		if errors.Is(err, passes) {
			return exitUnavailable
		}
	}
	return exitConfig
}

// endOn ends the run once something happens.
func endOn(ctx context.Context, happens <-chan struct{}, end context.CancelCauseFunc, why error) {
	select {
	case <-happens:
		end(why)
	case <-ctx.Done():
	}
}

// heedHub ends the run when this process has lost its share of the hub, or leads now.
func (g *gateway) heedHub(ctx context.Context, end context.CancelCauseFunc) {
	won := g.hub.Won()
	if g.leads {
		won = nil // it leads already
	}
	select {
	case <-g.hub.Lost():
		end(errLost)
	case <-won:
		end(errWon)
	case <-ctx.Done():
	}
}

// close closes what is open. Closing the store writes lazy changes.
func (g *gateway) close() error {
	for _, l := range []net.Listener{g.control, g.http} {
		if l != nil {
			l.Close()
		}
	}
	if g.store == nil {
		return nil
	}
	return fail(exitDisk, g.store.Close())
}

// snapshot is what the metrics show about the queue.
func (g *gateway) snapshot() metrics.Snapshot {
	queue, _ := g.current()
	st := queue.Stats()
	s := metrics.Snapshot{Records: st.Records, Damaged: st.Damaged, Bytes: st.Bytes, Failing: queue.Healthy() != nil,
		Open: map[string]map[message.Precedence]int64{}, Oldest: map[string]time.Duration{}}
	now := g.clock.Age()
	for name, open := range st.Open {
		s.Open[name] = open
	}
	for name, at := range st.Oldest {
		s.Oldest[name] = now.Sub(at)
	}
	return s
}
