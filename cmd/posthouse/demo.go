package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	"posthouse/adapters"
)

type demoCmd struct {
	Serve bool `help:"Keep it running afterwards, with health and metrics on 127.0.0.1:8327."`
	Log   bool `help:"Show the gateway's own log, too."`
}

// demoTime bounds the whole demo.
const demoTime = 60 * time.Second

// Run plays the demo: everything is real but the radios. The stations are MQTT
// clients on the gateway's built-in brokers, the APRS station is logged in at a
// small APRS-IS server, and mail goes over SMTP, all on the loopback.
func (c demoCmd) Run(s streams) error {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, syscall.SIGINT)
	defer stop()
	dir, err := os.MkdirTemp("", "posthouse-demo-")
	if err != nil {
		return fail(exitDisk, err)
	}
	defer os.RemoveAll(dir)
	play, cancel := context.WithTimeout(ctx, demoTime)
	defer cancel()
	d, err := setStage(ctx, dir, c.logger(s.err), c.Serve)
	if err != nil {
		return err
	}
	defer d.clear()
	if err := d.waitForLinks(play); err != nil {
		return fail(exitSoftware, err)
	}
	missing := d.play(play, s.out)
	if c.Serve {
		fmt.Fprintf(s.out, "\nThe gateway goes on running: http://%s/readyz and /metrics. Stop it with Ctrl-C.\n", d.gateway.http.Addr())
		<-ctx.Done()
	}
	if missing > 0 {
		return fail(1, fmt.Errorf("%d of the messages went missing", missing))
	}
	return nil
}

func (c demoCmd) logger(w io.Writer) *slog.Logger {
	if !c.Log {
		return slog.New(slog.DiscardHandler)
	}
	return slog.New(slog.NewTextHandler(w, nil))
}

// The cast: call signs that their country does not assign, names under .example.
const (
	demoGateway = "N0QRZ-10"
	alder       = "N0QRA-7"          // on the valley mesh
	birch       = "N0QRB-9"          // on the hill mesh
	cedar       = "N0QRC-5"          // on APRS
	dogwood     = "N0QRD-7"          // on the hill mesh, switched off at first
	ann         = "ann@club.example" // mail
	kim         = "kim@shop.example" // mail, a stranger
)

// demoSettings are the gateway's, as an operator would write them.
func demoSettings(dir, aprs, smarthost, mailListen string, serve bool) []string {
	http := ""
	if serve {
		http = "127.0.0.1:8327"
	}
	return []string{
		"POSTHOUSE_CALLSIGN=" + demoGateway, "POSTHOUSE_LINKS=valley,hill,aprs,post", "POSTHOUSE_DATA_DIR=" + dir,
		"POSTHOUSE_HTTP_LISTEN=" + http, "POSTHOUSE_COUNTRY=US", "POSTHOUSE_POSITION=46.5,-122.9",
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_BROKER_LISTEN=127.0.0.1:0", "POSTHOUSE_VALLEY_OPEN_CHANNEL=yes",
		"POSTHOUSE_HILL_KIND=mesh", "POSTHOUSE_HILL_BROKER_LISTEN=127.0.0.1:0", "POSTHOUSE_HILL_OPEN_CHANNEL=yes",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=" + aprs, fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(demoGateway)),
		"POSTHOUSE_APRS_FILTER=r/46.5/-122.9/50", "POSTHOUSE_APRS_POSITIONS=true",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN=" + mailListen, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST=" + smarthost, "POSTHOUSE_POST_SMARTHOST_TLS=none",
	}
}

// waitForLinks waits until every link of the gateway is up.
func (d *demo) waitForLinks(ctx context.Context) error {
	for {
		down := ""
		for _, l := range d.gateway.bridge.Links() {
			if !l.Up {
				down = l.Name + ": " + l.Why
			}
		}
		if down == "" {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("link %s: not up in time", down)
		case <-time.After(20 * time.Millisecond):
		}
	}
}
