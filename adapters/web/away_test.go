package web

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"testing"

	"posthouse/bridge/desk"
)

// TestAway: while the daemon can do nothing it says so, and why, to each command and on
// each page, and its metrics are there.
func TestAway(t *testing.T) {
	why := errors.New("the store is beyond a cut wire")
	dir := t.TempDir()
	socket, err := ListenControl(dir)
	if err != nil {
		t.Fatal(err)
	}
	port, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := Public{Healthy: func() error { return why }, Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "figures") })}
	ctx, end := context.WithCancel(t.Context())
	var serving sync.WaitGroup
	quiet := slog.New(slog.DiscardHandler)
	serving.Go(func() { ServeControlAway(ctx, socket, why, quiet) })
	serving.Go(func() { p.ServeAway(ctx, port, quiet) })
	defer serving.Wait()
	defer end()

	if _, err := Ask(t.Context(), dir, "order", desk.Order{Do: desk.Hold, ID: "1"}); !errors.Is(err, ErrUnreachable) || err.Error() != why.Error() {
		t.Errorf("a command was told %v", err)
	}
	if _, err := List(t.Context(), dir, "log", LogRequest{}, func(desk.Line) error { return nil }); !errors.Is(err, ErrUnreachable) || err.Error() != why.Error() {
		t.Errorf("a list was told %v", err)
	}
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for _, c := range []struct {
		path string
		code int
		want string
	}{
		{"/", 503, "store: the store is beyond a cut wire\n"},
		{"/healthz", 503, "store: the store is beyond a cut wire\n"},
		{"/readyz", 503, "store: the store is beyond a cut wire\n"},
		{"/metrics", 200, "figures"},
	} {
		resp, err := client.Get("http://" + port.Addr().String() + c.path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != c.code || string(body) != c.want {
			t.Errorf("%s: %s %q, %v", c.path, resp.Status, body, err)
		}
	}
}
