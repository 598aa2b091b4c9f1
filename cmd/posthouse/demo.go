package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"posthouse/adapters"
)

type demoCmd struct {
	Serve bool `help:"Keep it running afterwards, with the page, health and metrics of one of them on 127.0.0.1:8327."`
	Log   bool `help:"Show the gateway's own log, too."`
}

// demoTime bounds the whole demo.
const demoTime = 60 * time.Second

// Run plays the demo: everything is real but the radios. The stations are MQTT
// clients on the gateways' built-in brokers, the APRS station is logged in at a
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
	fmt.Fprintln(s.out, "Starting two gateways; each listens some seconds whether it is alone on its mesh.")
	if err := d.waitForLinks(play); err != nil {
		return fail(exitSoftware, err)
	}
	missing := d.play(play, s.out)
	if c.Serve {
		fmt.Fprintf(s.out, "\nThe gateways go on running: the page of one is at http://%s/, its health and metrics at /readyz and /metrics. Stop it with Ctrl-C.\n", d.valley.http.Addr())
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

// The cast: call signs that nobody is assigned, domains under .example.
const (
	valleyGateway = "N0QRZ-10"
	hillGateway   = "N0QRY-10"
	alder         = "N0QRA-7"          // on the valley mesh
	birch         = "N0QRB-9"          // on the hill mesh
	cedar         = "N0QRC-5"          // on APRS
	dogwood       = "N0QRD-7"          // somewhere, switched off at first
	ann           = "ann@club.example" // mail
	kim           = "kim@shop.example" // mail, a stranger
)

// trunkSettings are those of the link between the gateways.
func trunkSettings(call string, keys map[string]string) []string {
	return []string{
		"POSTHOUSE_CALLSIGN=" + call, "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_SIGNING_KEY_FILE=" + keys[call], "POSTHOUSE_FAR_TRUST_FILE=" + keys["trust"],
	}
}

// valleySettings are the valley gateway's, as an operator would write them: a
// mesh, the trunk's broker, APRS, and mail by the far gateway.
func valleySettings(dir string, keys map[string]string, trunk, aprs string, serve bool) []string {
	http := ""
	if serve {
		http = "127.0.0.1:8327"
	}
	return append(trunkSettings(valleyGateway, keys),
		"POSTHOUSE_LINKS=valley,far,aprs", "POSTHOUSE_DATA_DIR="+filepath.Join(dir, "valley"), "POSTHOUSE_HTTP_LISTEN="+http,
		"POSTHOUSE_POSITION=46.5,-122.9", "POSTHOUSE_ROUTES=*@*=far",
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_MESH=valley", "POSTHOUSE_VALLEY_BROKER_LISTEN=127.0.0.1:0", "POSTHOUSE_VALLEY_OPEN_CHANNEL=yes",
		"POSTHOUSE_FAR_BROKER_LISTEN="+trunk,
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+aprs, fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(valleyGateway)),
		"POSTHOUSE_APRS_FILTER=r/46.5/-122.9/50", "POSTHOUSE_APRS_POSITIONS=true")
}

// hillSettings are the hill gateway's: a mesh, the trunk, and mail.
func hillSettings(dir string, keys map[string]string, trunk, smarthost, mailListen string) []string {
	return append(trunkSettings(hillGateway, keys),
		"POSTHOUSE_LINKS=hill,far,post", "POSTHOUSE_DATA_DIR="+filepath.Join(dir, "hill"), "POSTHOUSE_HTTP_LISTEN=",
		"POSTHOUSE_HILL_KIND=mesh", "POSTHOUSE_HILL_MESH=hill", "POSTHOUSE_HILL_BROKER_LISTEN=127.0.0.1:0", "POSTHOUSE_HILL_OPEN_CHANNEL=yes",
		"POSTHOUSE_FAR_BROKER_URL=tcp://"+trunk,
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN="+mailListen, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST="+smarthost, "POSTHOUSE_POST_SMARTHOST_TLS=none")
}

// waitForLinks waits until every link of both gateways is up, and each has made
// sure that it is alone on its mesh.
func (d *demo) waitForLinks(ctx context.Context) error {
	for {
		missing := ""
		for _, g := range []*gateway{d.valley, d.hill} {
			for _, l := range g.bridge.Links() {
				if !l.Up {
					missing = g.cfg.Callsign + " " + l.Name + ": " + l.Why
				} else if !l.Transmits {
					missing = g.cfg.Callsign + " " + l.Name + ": still listening for other gateways of the mesh"
				}
			}
		}
		if missing == "" {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("link of %s: not ready in time", missing)
		case <-time.After(20 * time.Millisecond):
		}
	}
}
