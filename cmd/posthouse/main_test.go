package main

import (
	"fmt"
	"log/slog"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"go.uber.org/goleak"

	"posthouse/adapters"
	"posthouse/bridge/config"
)

// TestMain lets the test binary be the program: a test that runs posthouse, in a
// script or with exec, gets this code with all that the tests are built with,
// the race detector included.
func TestMain(m *testing.M) {
	testscript.Main(leakless{m}, map[string]func(){"posthouse": main})
}

// leakless runs the tests and then looks for goroutines that they left.
type leakless struct{ *testing.M }

func (l leakless) Run() int {
	if err := firstLink(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	code := l.M.Run()
	os.Remove(shippedPath()) // if any test built it
	if code != 0 {
		return code
	}
	if err := goleak.Find(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// firstLink makes a link over MQTT. The library has one set of loggers for all
// its clients, the tests' own included, and the first link sets them.
func firstLink() error {
	cfg, _ := config.Load([]string{"POSTHOUSE_LINKS=x", "POSTHOUSE_X_KIND=mesh", "POSTHOUSE_X_BROKER_URL=tcp://127.0.0.1:1"}, config.Hooks{})
	_, err := adapters.New(cfg.Links[0], adapters.Needs{Call: gatewayCall, Log: slog.New(slog.DiscardHandler)})
	return err
}
