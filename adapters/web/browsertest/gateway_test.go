// Package browsertest_test looks at the operator's page with a real browser
// (Debian's chromium), and the program behind it. It is a module of its own, so
// that what drives the browser is no dependency of posthouse.
package browsertest_test

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// patience is how long anything may take on a busy machine.
const patience = 60 * time.Second

const (
	call     = "N0QRO"
	password = "correct horse battery staple"
	// hash is the bcrypt hash of password, with little work.
	hash = "$2a$04$xMQ3RLIx5pYn2XQdkOvUZexWII7zTlXIY4EWgSPKB3NYSd9eZrWQa"
)

// program is the built posthouse.
var program string

func TestMain(m *testing.M) {
	os.Exit(buildAndRun(m))
}

func buildAndRun(m *testing.M) int {
	dir, err := os.MkdirTemp("", "posthouse-browser-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	program = filepath.Join(dir, "posthouse")
	build := exec.Command("go", "build", "-o", program, "./cmd/posthouse")
	build.Dir = filepath.Join("..", "..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "building posthouse: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// needs skips a test on a machine without a program that .ci/install brings.
func needs(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("POSTHOUSE_REQUIRE_REAL") == "1" {
			t.Fatalf("%v: .ci/install brings it", err)
		}
		t.Skipf("%s is not installed", name)
	}
}

// gateway is a running daemon with a paced mesh on its built-in broker, and an
// APRS link that finds no server.
type gateway struct {
	t            *testing.T
	dir          string
	page, broker string // addresses
}

func startGateway(t *testing.T) *gateway {
	t.Helper()
	needs(t, "chromium")
	needs(t, "mosquitto_pub")
	g := &gateway{t: t, dir: t.TempDir(), page: freeAddress(t), broker: freeAddress(t)}
	operators := filepath.Join(g.dir, "operators")
	if err := os.WriteFile(operators, []byte(call+":"+hash+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	daemon := exec.Command(program, "run")
	daemon.Stderr = &log
	daemon.Env = []string{
		"POSTHOUSE_CALLSIGN=N0QRZ-10", "POSTHOUSE_LINKS=valley,aprs", "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_DATA_DIR=" + filepath.Join(g.dir, "data"), "POSTHOUSE_HTTP_LISTEN=" + g.page, "POSTHOUSE_OPERATORS_FILE=" + operators,
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_BROKER_LISTEN=" + g.broker, "POSTHOUSE_VALLEY_OPEN_CHANNEL=yes", "POSTHOUSE_VALLEY_SF=9", "POSTHOUSE_VALLEY_BW=125", "POSTHOUSE_VALLEY_CR=4/5",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=127.0.0.1:1", "POSTHOUSE_APRS_PASSCODE=13952",
	}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = daemon.Process.Signal(syscall.SIGTERM) // Wait says if it had ended before
		if err := daemon.Wait(); err != nil || t.Failed() {
			t.Logf("the daemon: %v\n%s", err, &log)
		}
	})
	await(t, "the daemon", func() bool { return strings.Contains(g.get("/readyz"), "ready") })
	g.node()
	return g
}

// node plays the mesh's node, which subscribes to what the mesh is told.
func (g *gateway) node() {
	g.t.Helper()
	host, port, _ := net.SplitHostPort(g.broker)
	node := exec.Command("mosquitto_sub", "-h", host, "-p", port, "-q", "1", "-t", "valley/to")
	if err := node.Start(); err != nil {
		g.t.Fatal(err)
	}
	g.t.Cleanup(func() {
		_ = node.Process.Kill() // it runs until then
		_ = node.Wait()
	})
	await(g.t, "the mesh link", func() bool { return strings.Contains(g.get("/readyz"), "valley (mesh) up") })
}

// get gives what an address of the listener says; nothing while it does not answer.
func (g *gateway) get(path string) string {
	resp, err := http.Get("http://" + g.page + path)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return ""
	}
	return string(b)
}

// says has the mesh say something.
func (g *gateway) says(frames ...string) {
	g.t.Helper()
	host, port, _ := net.SplitHostPort(g.broker)
	for _, f := range frames {
		out, err := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-q", "1", "-t", "valley/from", "-m", f).CombinedOutput()
		if err != nil {
			g.t.Fatalf("mosquitto_pub: %v\n%s", err, out)
		}
	}
}

// await waits for what has to happen.
func await(t *testing.T, what string, done func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(patience); !done(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("%s: not within %v", what, patience)
		}
	}
}

// freeAddress finds a port of the loopback that nobody uses.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
