// Package deploy_test checks what goes onto an operator's machine with the tools
// that will read it there: the unit with systemd, the rules and the board with
// Prometheus' promtool, the packages with dpkg.
package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// required tells that a missing program fails a test instead of skipping it.
var required = os.Getenv("POSTHOUSE_REQUIRE_REAL") == "1"

// needs skips a test on a machine without a program that .ci/install brings.
func needs(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if required {
			t.Fatalf("%v: .ci/install brings it", err)
		}
		t.Skipf("%s is not installed", program)
	}
}

// prometheusProgram gives the path of prometheus or promtool.
func prometheusProgram(t *testing.T, name string) string {
	t.Helper()
	needs(t, name) // Debian: prometheus
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// command runs a program and gives what it says; an error fails the test.
func command(t *testing.T, name string, args ...string) string {
	t.Helper()
	return succeed(t, exec.Command(name, args...))
}

func succeed(t *testing.T, c *exec.Cmd) string {
	t.Helper()
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(c.Args, " "), err, out)
	}
	return string(out)
}

// posthouse builds the program in a folder, without C as it is released.
func posthouse(t *testing.T, dir string) string {
	t.Helper()
	program := filepath.Join(dir, "posthouse")
	build := exec.Command("go", "build", "-o", program, "../cmd/posthouse")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	succeed(t, build)
	return program
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
