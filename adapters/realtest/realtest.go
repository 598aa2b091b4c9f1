// Package realtest is what tests against real programs have in common: finding the
// program or skipping the test, a free port, and waiting until the program listens
// there.
package realtest

import (
	"bytes"
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// Require is the variable that makes a missing program a failure instead of a
// reason to skip.
const Require = "POSTHOUSE_REQUIRE_REAL"

// Patience is how long a program may take to start or to end.
const Patience = 20 * time.Second

// Program gives the path of a program, or skips the test for want of it; install
// names the Debian packages that it is in.
func Program(t testing.TB, name, install string) string {
	t.Helper()
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	for _, dir := range []string{"/usr/sbin", "/usr/local/sbin"} { // not on everybody's PATH
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path
		}
	}
	Missing(t, name+" is not installed: apt-get install "+install)
	return ""
}

// Missing skips a test that cannot speak to the real program here, or fails it
// where that is required.
func Missing(t testing.TB, why string) {
	t.Helper()
	if os.Getenv(Require) == "1" {
		t.Fatalf("%s, and %s=1", why, Require)
	}
	t.Skipf("%s, so this test against the real program is skipped", why)
}

// FreeAddress finds a port of the loopback that nobody listens on now.
func FreeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Listening waits until somebody takes a connection at address.
func Listening(address string) error {
	ctx, cancel := context.WithTimeout(context.Background(), Patience)
	defer cancel()
	again := time.NewTicker(10 * time.Millisecond)
	defer again.Stop()
	for {
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
		if err == nil {
			return conn.Close()
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			return err
		}
	}
}

// Log is a program's log, written and read at once.
type Log struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *Log) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

// String gives what was written so far.
func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
