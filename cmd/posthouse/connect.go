package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"posthouse/adapters"
	"posthouse/bridge/config"
)

// tryNetwork tries what each link needs from the network, all at once, and says what works
// and what does not.
func tryNetwork(w io.Writer, cfg *config.Config, within time.Duration) error {
	fmt.Fprintf(w, "\nTrying the network, %v at most:\n", within)
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	n := adapters.Needs{
		Call: cfg.Callsign, Version: "check", Log: slog.New(slog.DiscardHandler),
		BounceKey:    make([]byte, 32), // signs nothing: no mail is sent
		MayAnswer:    func(config.Link, string, string) bool { return false },
		ClockTrusted: func() bool { return true }, Wall: func() (time.Time, bool) { return time.Now(), true },
	}
	steps, errs := make([][]string, len(cfg.Links)), make([]error, len(cfg.Links))
	var trying sync.WaitGroup
	for i, l := range cfg.Links {
		trying.Go(func() {
			errs[i] = adapters.Probe(ctx, l, n, func(s string) { steps[i] = append(steps[i], s) })
		})
	}
	trying.Wait()
	out, failed := newTable(w), 0
	for i, l := range cfg.Links {
		for _, step := range steps[i] {
			out.wrap(fmt.Sprintf("%-10s ", l.Name), "ok: "+step)
		}
		if errs[i] != nil {
			failed++
			out.wrap(fmt.Sprintf("%-10s ", l.Name), "NOT OK: "+strings.ReplaceAll(errs[i].Error(), "\n", "; "))
		}
	}
	if err := out.flush(); err != nil {
		return err
	}
	if failed > 0 {
		return fail(exitUnavailable, fmt.Errorf("%d of %d links cannot be reached; the gateway would start, and try again and again", failed, len(cfg.Links)))
	}
	return nil
}
