package main

import (
	"fmt"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"go.uber.org/goleak"
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
