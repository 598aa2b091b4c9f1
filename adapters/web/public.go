package web

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"

	"golang.org/x/net/netutil"

	"posthouse/bridge/config"
)

// Public is what the public listener shows.
type Public struct {
	Desk    Desk
	Metrics http.Handler
	Healthy func() error  // nil error: the store works
	Lack    func() string // why the store takes nothing new; empty: it does, nil: always

	ClockDoubt func() string // why the clock is not trusted; nil: it always is
	Listen     string        // the address as it is in the settings
	Operators  []config.Operator
}

// maxConnections bounds who is connected to the public listener at once.
const maxConnections = 64

// Serve serves health, metrics and the operator's page on l until ctx ends, and closes it.
func (p *Public) Serve(ctx context.Context, l net.Listener, log *slog.Logger) {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", p.Metrics)
	mux.HandleFunc("GET /healthz", p.health)
	mux.HandleFunc("GET /readyz", p.ready)
	mux.Handle("/", newPage(ctx, p, log).handler())
	serve(ctx, netutil.LimitListener(l, maxConnections), mux, log)
}

// health says whether the gateway can do its work at all, and which link is not
// well: that makes it no less healthy, since what is for that link waits.
func (p *Public) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if err := p.Healthy(); err != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintf(w, "store: %v\n", err)
		return
	}
	fmt.Fprintln(w, "ok")
	if lack := p.lack(); lack != "" {
		fmt.Fprintf(w, "the store is full, new texts are refused: %s\n", lack)
	}
	for _, l := range p.Desk.Links() {
		switch {
		case l.Elsewhere:
		case !l.Up:
			fmt.Fprintf(w, "link %s (%s) down since %s\n", l.Name, l.Kind, l.Since)
		case l.Deaf != "":
			fmt.Fprintf(w, "link %s (%s) hears nothing since %s, longer than usual\n", l.Name, l.Kind, l.Deaf)
		}
		if l.Trouble != "" {
			fmt.Fprintf(w, "link %s (%s): %s\n", l.Name, l.Kind, l.Trouble)
		}
	}
	if doubt := p.clockDoubt(); doubt != "" {
		fmt.Fprintln(w, "the clock is not trusted:", doubt)
	}
}

func (p *Public) lack() string {
	if p.Lack == nil {
		return ""
	}
	return p.Lack()
}

func (p *Public) clockDoubt() string {
	if p.ClockDoubt == nil {
		return ""
	}
	return p.ClockDoubt()
}

// ready says that messages are taken over, and how each link is. A link that is
// down makes nobody less ready: its messages wait in the queue. A store without
// room does: new texts are refused.
func (p *Public) ready(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if p.Healthy() != nil {
		p.health(w, r)
		return
	}
	if lack := p.lack(); lack != "" {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintf(w, "not ready: the store is full, new texts are refused: %s\n", lack)
	} else {
		fmt.Fprintln(w, "ready")
	}
	for _, l := range p.Desk.Links() {
		state := "down"
		switch {
		case l.Elsewhere:
			state = "elsewhere"
		case l.Quiet:
			state = "quiet"
		case l.Deaf != "":
			state = "deaf"
		case l.Up:
			state = "up"
		}
		fmt.Fprintf(w, "link %s (%s) %s since %s", l.Name, l.Kind, state, l.Since)
		if l.Trouble != "" {
			fmt.Fprintf(w, ", %s", l.Trouble)
		}
		fmt.Fprintln(w)
	}
}
