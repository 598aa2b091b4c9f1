package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"posthouse/adapters"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/config"
)

// far is one gateway of a trunk test, with its mesh on a built-in broker.
type far struct {
	t       *testing.T
	call    string
	dir     string
	env     []string
	log     strings.Builder
	gateway *gateway
	end     func()
}

// keys makes a signing key for each gateway and a trust file that lists all.
func keys(t testing.TB, calls ...string) (keyFile map[string]string, trustFile string) {
	t.Helper()
	dir := t.TempDir()
	keyFile, trustFile = map[string]string{}, filepath.Join(dir, "trust.jwk")
	lines := ""
	for _, call := range calls {
		key, err := envelope.MakeKey()
		if err != nil {
			t.Fatal(err)
		}
		b, err := key.PEM()
		if err != nil {
			t.Fatal(err)
		}
		keyFile[call] = filepath.Join(dir, call+".key")
		if err := os.WriteFile(keyFile[call], b, 0o600); err != nil {
			t.Fatal(err)
		}
		lines += key.Public().JWK(call) + "\n"
	}
	if err := os.WriteFile(trustFile, []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	return keyFile, trustFile
}

// newFar sets a gateway up; start runs it.
func newFar(t *testing.T, call, mesh, keyFile, trustFile, trunk string, extra ...string) *far {
	return &far{t: t, call: call, dir: t.TempDir(), env: append([]string{
		"POSTHOUSE_CALLSIGN=" + call, "POSTHOUSE_LINKS=home,far", "POSTHOUSE_HTTP_LISTEN=", "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_HOME_KIND=mesh", "POSTHOUSE_HOME_OPEN_CHANNEL=yes", "POSTHOUSE_HOME_MESH=" + mesh,
		"POSTHOUSE_FAR_KIND=trunk", trunk, "POSTHOUSE_FAR_SIGNING_KEY_FILE=" + keyFile, "POSTHOUSE_FAR_TRUST_FILE=" + trustFile,
	}, extra...)}
}

func (f *far) start() {
	f.t.Helper()
	cfg, findings := config.Load(append(f.env, "POSTHOUSE_DATA_DIR="+f.dir), adapters.Hooks())
	if config.HasErrors(findings) {
		f.t.Fatal(findings)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var err error
	if f.gateway, err = open(ctx, cfg, slog.New(slog.NewTextHandler(&f.log, &slog.HandlerOptions{Level: slog.LevelDebug}))); err != nil {
		f.t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- f.gateway.run(ctx, nil) }()
	f.end = func() {
		cancel()
		if err := <-done; err != nil {
			f.t.Errorf("%s: %v", f.call, err)
		}
		if err := f.gateway.close(); err != nil {
			f.t.Errorf("%s: closing: %v", f.call, err)
		}
		if f.t.Failed() {
			f.t.Logf("log of %s:\n%s", f.call, f.log.String())
		}
	}
	f.t.Cleanup(func() { f.end() })
}

func (f *far) radio(call string) *radio {
	f.t.Helper()
	r, err := switchOn("tcp://"+f.gateway.links["home"].(interface{ Addr() net.Addr }).Addr().String(), "home", call)
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.client.Disconnect(100) })
	return r
}

func TestDirectMessageAcrossTheTrunk(t *testing.T) {
	if testing.Short() {
		t.Skip("takes as long as a newcomer listens")
	}
	key, trust := keys(t, "N0QRA-10", "N0QRB-10")
	address, err := freeAddress()
	if err != nil {
		t.Fatal(err)
	}
	a := newFar(t, "N0QRA-10", "valley", key["N0QRA-10"], trust, "POSTHOUSE_FAR_BROKER_LISTEN="+address, "POSTHOUSE_HOME_BROKER_LISTEN=127.0.0.1:0")
	b := newFar(t, "N0QRB-10", "hill", key["N0QRB-10"], trust, "POSTHOUSE_FAR_BROKER_URL=tcp://"+address, "POSTHOUSE_HOME_BROKER_LISTEN=127.0.0.1:0")
	a.start()
	b.start()
	alder, birch := a.radio("N0QRC-7"), b.radio("N0QRD-9")
	if err := birch.position(46.6, -122.8); err != nil {
		t.Fatal(err)
	}
	if err := alder.position(46.5, -122.9); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	begin := time.Now()
	if err := alder.say(frame{ID: "1", From: "N0QRC-7", To: "N0QRD-9", Text: "hello over the hills"}); err != nil {
		t.Fatal(err)
	}
	if _, err := birch.expect(ctx, hasText("hello over the hills")); err != nil {
		t.Fatal(err)
	}
	if _, err := alder.expect(ctx, acks("1")); err != nil {
		t.Fatal(err)
	}
	t.Logf("first direct message and its receipt: %v", time.Since(begin))
	begin = time.Now()
	for i := range 5 {
		id := fmt.Sprint("r", i)
		if err := birch.say(frame{ID: id, From: "N0QRD-9", To: "N0QRC-7", Text: "answer " + id}); err != nil {
			t.Fatal(err)
		}
		if _, err := alder.expect(ctx, hasText("answer "+id)); err != nil {
			t.Fatal(err)
		}
		if _, err := birch.expect(ctx, acks(id)); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("five more: %v", time.Since(begin))
	if err := birch.say(frame{ID: "g", From: "N0QRD-9", To: "ALL", Text: "net at eight"}); err != nil {
		t.Fatal(err)
	}
	if _, err := alder.expect(ctx, hasText("net at eight")); err != nil {
		t.Fatal(err)
	}
}
