package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
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
)

// What is in the data folder beside the control socket.
const (
	queueFile     = "queue.db"
	bounceKeyFile = "bounce.key"
	journalDir    = "air"
)

// gateway is everything of one daemon, put together and not yet running.
type gateway struct {
	cfg     *config.Config
	log     *slog.Logger
	store   store
	clock   *clock.Clock
	pulse   *pulse
	bridge  *bridge.Bridge
	links   map[string]link.Link
	public  *web.Public
	control net.Listener
	http    net.Listener // nil: turned off
}

// open puts a gateway together: the store first, since its lock tells whether
// another daemon is at work here. On an error all that was opened is closed.
func open(ctx context.Context, cfg *config.Config, log *slog.Logger) (g *gateway, err error) {
	g = &gateway{cfg: cfg, log: log, links: map[string]link.Link{}}
	defer func() {
		if err != nil {
			g.close()
		}
	}()
	if exists(filepath.Join(cfg.DataDir, unfinishedFile)) {
		return g, fail(exitDisk, fmt.Errorf("a restore into %s did not come to its end: run 'posthouse restore' again", cfg.DataDir))
	}
	reg := prometheus.NewRegistry()
	meter := metrics.New(reg, linkLabels(cfg), link.Codes)
	v, c := build()
	meter.Build(v, c)
	g.pulse = &pulse{Meter: meter}
	g.store, err = openStore(ctx, cfg, storeOptions{log: log, onCommit: meter.Commit, onStandby: standby(log)})
	if err != nil {
		return g, fail(exitDisk, err)
	}
	saved, err := bridge.SavedClock(ctx, g.store)
	if err != nil {
		return g, fail(exitDisk, fmt.Errorf("the saved clock: %w", err))
	}
	g.clock = clock.System(saved)
	if err := g.makeLinks(); err != nil {
		return g, err
	}
	g.bridge, err = bridge.New(ctx, bridge.Options{
		Config: cfg, Links: g.links, Store: g.store, Clock: g.clock, Meter: g.pulse, Log: log,
		JournalDir: filepath.Join(cfg.DataDir, journalDir), Room: g.store.Room,
	})
	if err != nil {
		return g, fail(exitConfig, err)
	}
	meter.Queue(g.snapshot)
	g.public = &web.Public{
		Desk: g.bridge, Metrics: promhttp.HandlerFor(reg, promhttp.HandlerOpts{Timeout: 10 * time.Second}), Healthy: g.store.Healthy,
		ClockTrusted: g.clockTrusted, Listen: cfg.HTTPListen, Operators: cfg.Operators,
	}
	return g, g.listen()
}

// standby tells the log once that another process has the queue, and systemd that
// this one is well.
func standby(log *slog.Logger) func() {
	var once sync.Once
	return func() {
		once.Do(func() {
			log.Info("standing by: another process works with the queue of this call sign")
			daemon.SdNotify(false, daemon.SdNotifyReady)
		})
		daemon.SdNotify(false, daemon.SdNotifyWatchdog)
	}
}

func linkLabels(cfg *config.Config) []metrics.Link {
	var out []metrics.Link
	for _, l := range cfg.Links {
		out = append(out, metrics.Link{Name: l.Name, Kind: l.Kind})
	}
	return out
}

func (g *gateway) makeLinks() error {
	key, err := bounceKey(g.cfg.DataDir)
	if err != nil {
		return fail(exitDisk, err)
	}
	v, _ := build()
	needs := adapters.Needs{
		Call: g.cfg.Callsign, Version: v, Log: g.log, BounceKey: key,
		MayAnswer: func(l config.Link, address, station string) bool {
			return g.bridge.MayAnswer(address, station, l.Mail.ReplyFor)
		},
		ClockTrusted: g.clockTrusted,
		Wall:         func() (time.Time, bool) { return g.clock.Wall() },
	}
	for _, l := range g.cfg.Links {
		if l.Mesh != nil && l.Mesh.Mesh != "" {
			needs.Meshes = append(needs.Meshes, l.Mesh.Mesh)
		}
	}
	for _, l := range g.cfg.Links {
		made, err := adapters.New(l, needs)
		if err != nil {
			return fail(exitConfig, err)
		}
		g.links[l.Name] = made
	}
	return nil
}

func (g *gateway) clockTrusted() bool {
	_, ok := g.clock.Wall()
	return ok
}

// listen binds the control socket and the public address.
func (g *gateway) listen() (err error) {
	if g.control, err = web.ListenControl(g.cfg.DataDir); err != nil {
		return fail(exitDisk, err)
	}
	if g.cfg.HTTPListen == "" {
		return nil
	}
	if g.http, err = net.Listen("tcp", g.cfg.HTTPListen); err != nil {
		return fail(exitConfig, fmt.Errorf("POSTHOUSE_HTTP_LISTEN: %w; choose another address, or leave it empty to turn it off", err))
	}
	return nil
}

// run works until ctx ends or a link can never work, then stops everything and
// writes down what is known.
func (g *gateway) run(ctx context.Context, environ env) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var desk sync.WaitGroup
	if l, ok := g.store.(leased); ok {
		desk.Go(func() {
			select {
			case <-l.Lost():
				cancel(errLost)
			case <-ctx.Done():
			}
		})
	}
	save := &saver{g: g, environ: environ}
	desk.Go(func() { web.ServeControl(ctx, g.control, g.bridge, save.save, g.log) })
	if g.http != nil {
		desk.Go(func() { g.public.Serve(ctx, g.http, g.log) })
	}
	if interval, err := daemon.SdWatchdogEnabled(false); err == nil && interval > 0 {
		mending := func() bool { return g.store.Healthy() != nil }
		desk.Go(func() { watch(ctx, interval, g.pulse, mending, func(s string) { daemon.SdNotify(false, s) }) })
	}
	err := g.bridge.Run(ctx)
	cancel(nil)
	desk.Wait()
	g.control, g.http = nil, nil // their servers closed them
	if errors.Is(context.Cause(ctx), errLost) {
		return fail(exitUnavailable, errLost)
	}
	return fail(exitConfig, err)
}

// close closes what is open. Closing the store writes what was still to be
// written.
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

// snapshot is what the metrics show of the queue.
func (g *gateway) snapshot() metrics.Snapshot {
	st := g.store.Stats()
	s := metrics.Snapshot{Records: st.Records, Damaged: st.Damaged, Bytes: st.Bytes, Open: map[string]map[message.Precedence]int64{}, Oldest: map[string]time.Duration{}}
	now := g.clock.Age()
	for name, open := range st.Open {
		s.Open[name] = open
	}
	for name, at := range st.Oldest {
		s.Oldest[name] = now.Sub(at)
	}
	return s
}

// bounceKey reads the secret that signs bounce addresses, and makes it at the
// first start.
func bounceKey(dir string) ([]byte, error) {
	path := filepath.Join(dir, bounceKeyFile)
	b, err := os.ReadFile(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		key := make([]byte, 32)
		rand.Read(key) // never fails (crypto/rand)
		if err := os.WriteFile(path, []byte(hex.EncodeToString(key)+"\n"), 0o600); err != nil {
			return nil, fmt.Errorf("the key of bounce addresses: %w", err)
		}
		return key, nil
	case err != nil:
		return nil, fmt.Errorf("the key of bounce addresses: %w", err)
	}
	key, err := hex.DecodeString(strings.TrimSpace(string(b)))
	if err != nil || len(key) < 16 {
		return nil, fmt.Errorf("%s is not a key of at least 32 hexadecimal digits: remove it and a new one is made; bounces of mails sent before will not be recognised", path)
	}
	return key, nil
}
