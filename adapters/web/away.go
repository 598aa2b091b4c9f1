package web

import (
	"context"
	"log/slog"
	"net"
	"net/http"

	"golang.org/x/net/netutil"
)

// ServeControlAway answers every command on the control socket that the daemon cannot
// carry it out now, and why, until ctx ends, and closes it.
func ServeControlAway(ctx context.Context, l net.Listener, why error, log *slog.Logger) {
	mux := http.NewServeMux()
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) {
		write(w, http.StatusServiceUnavailable, Answer{Error: why.Error()})
	})
	serve(ctx, l, mux, log)
}

// ServeAway serves what can be served while Healthy gives an error, which is its answer
// to everything but the metrics.
func (p *Public) ServeAway(ctx context.Context, l net.Listener, log *slog.Logger) {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", p.Metrics)
	mux.HandleFunc("/", p.health)
	serve(ctx, netutil.LimitListener(l, maxConnections), mux, log)
}
