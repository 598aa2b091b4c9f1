package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/coreos/go-systemd/v22/daemon"

	"posthouse/bridge/config"
)

type runCmd struct{}

// Run is the daemon. It says itself why it ends: like all it says that must not stop it.
func (r runCmd) Run(s streams, environ env) error {
	out := newScribe(s.err)
	defer out.close()
	if err := r.work(out, environ); err != nil {
		return fail(complain(out, err), errors.New(""))
	}
	return nil
}

func (runCmd) work(out *scribe, environ env) error {
	cfg, findings, err := load(environ)
	if err != nil {
		return err
	}
	log := logger(out, cfg)
	out.log.Store(log)
	for _, f := range findings {
		log.Warn(f.Variable+" "+f.Problem, "advice", f.Advice)
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	if environ.get("GOGC") == "" {
		go keepHeap(ctx)
	}
	// Without this Go ends a program when nobody reads its stderr any more; systemd takes
	// that for a clean exit and does not restart it. A gateway goes on without its log.
	signal.Ignore(syscall.SIGPIPE)
	// A trunk reads its trust file again on SIGHUP. It is caught here, too, so that a reload
	// does not end a gateway without a trunk.
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	g, err := open(ctx, cfg, log)
	if err != nil && ctx.Err() != nil {
		return nil // told to stop before it ran
	}
	if err != nil {
		return err
	}
	g.meter.Log(out.lost)
	v, c := build()
	begins := log
	if g.hub != nil {
		begins = log.With("leads", g.leads)
	}
	begins.Info("posthouse runs", "version", v, "commit", c, "callsign", cfg.Callsign, "data", cfg.DataDir, "http", cfg.HTTPListen)
	daemon.SdNotify(false, daemon.SdNotifyReady) // does nothing outside systemd
	context.AfterFunc(ctx, func() {
		stop() // a second signal ends the program at once
		daemon.SdNotify(false, daemon.SdNotifyStopping)
		log.Info("stopping")
	})
	err = g.run(ctx, environ)
	if closed := g.close(); err == nil {
		err = closed
	}
	if err == nil {
		log.Info("stopped")
	}
	return err
}

// logger writes the log as the settings ask.
func logger(w io.Writer, cfg *config.Config) *slog.Logger {
	opts := &slog.HandlerOptions{Level: cfg.LogLevel}
	if cfg.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(w, opts))
	}
	return slog.New(slog.NewTextHandler(w, opts))
}
