// Package brokertest runs a real Mosquitto for tests: on loopback, on a free
// port, with a configuration and a store of its own in the test's temporary
// folder.
package brokertest

import (
	"bytes"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"posthouse/adapters/realtest"
)

// Broker is one Mosquitto. It ends with the test.
type Broker struct {
	URL  string // tcp://127.0.0.1:port
	Addr string // 127.0.0.1:port

	t    testing.TB
	dir  string
	path string
	wire *Wire     // nil: on the loopback
	cmd  *exec.Cmd // nil: not running
	log  bytes.Buffer
}

// Mosquitto starts a broker that keeps its sessions on disk after every change
// and lets anybody in. Lines of conf are added to its configuration.
func Mosquitto(t testing.TB, conf ...string) *Broker {
	t.Helper()
	return start(&Broker{t: t, dir: t.TempDir(), path: Program(t, "mosquitto"), Addr: realtest.FreeAddress(t)}, conf)
}

func start(b *Broker, conf []string) *Broker {
	t := b.t
	t.Helper()
	b.URL = "tcp://" + b.Addr
	b.configure(conf)
	t.Cleanup(b.Stop)
	b.Restart()
	return b
}

// Program gives the path of a program, or skips the test for want of it.
func Program(t testing.TB, name string) string {
	t.Helper()
	return realtest.Program(t, name, "mosquitto")
}

// Password makes a password file for one user and gives the lines of
// configuration that ask for it.
func Password(t testing.TB, user, password string) []string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "passwords")
	out, err := exec.Command(Program(t, "mosquitto_passwd"), "-b", "-c", file, user, password).CombinedOutput()
	if err != nil {
		t.Fatalf("mosquitto_passwd: %v\n%s", err, out)
	}
	return []string{"allow_anonymous false", "password_file " + file}
}

func (b *Broker) configure(conf []string) {
	host, port, _ := net.SplitHostPort(b.Addr)
	if b.wire != nil {
		host = "" // all that there is in its namespace
	}
	lines := []string{
		strings.TrimSpace("listener " + port + " " + host),
		"persistence true",
		"persistence_location " + b.dir + "/",
		"autosave_on_changes true",
		"autosave_interval 1",
		"log_dest stderr",
	}
	if !strings.Contains(strings.Join(conf, "\n"), "allow_anonymous") {
		lines = append(lines, "allow_anonymous true")
	}
	if os.Geteuid() == 0 {
		lines = append(lines, "user root") // else it changes to one that may not enter the temporary folder
	}
	text := strings.Join(append(lines, conf...), "\n") + "\n"
	if err := os.WriteFile(filepath.Join(b.dir, "mosquitto.conf"), []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// Restart starts the broker on its old port with its old store. It must have
// been stopped or killed.
func (b *Broker) Restart() {
	b.t.Helper()
	b.log.Reset()
	b.cmd = exec.Command(b.path, "-c", filepath.Join(b.dir, "mosquitto.conf"))
	if b.wire != nil {
		b.cmd = b.wire.command(b.cmd.Args...)
	}
	b.cmd.Stderr = &b.log
	if err := b.cmd.Start(); err != nil {
		b.t.Fatalf("start mosquitto: %v", err)
	}
	b.moreFiles()
	if err := realtest.Listening(b.Addr); err != nil {
		b.Stop()
		b.t.Fatalf("mosquitto does not listen on %s: %v\n%s", b.Addr, err, b.log.String())
	}
}

// moreFiles lets the broker have as many connections as the system allows; the
// usual limit is 1,024.
func (b *Broker) moreFiles() {
	var files unix.Rlimit
	if err := unix.Prlimit(b.cmd.Process.Pid, unix.RLIMIT_NOFILE, nil, &files); err != nil {
		b.t.Logf("the broker's limit of open files stays as it is: %v", err)
		return
	}
	files.Cur = files.Max
	if err := unix.Prlimit(b.cmd.Process.Pid, unix.RLIMIT_NOFILE, &files, nil); err != nil {
		b.t.Logf("the broker's limit of open files stays as it is: %v", err)
	}
}

// Stop ends the broker in good order; a stopped one stays so.
func (b *Broker) Stop() { b.end(syscall.SIGTERM) }

// Kill ends the broker at once (SIGKILL).
func (b *Broker) Kill() { b.end(syscall.SIGKILL) }

// Freeze makes the broker do nothing, with its connections open, until Thaw.
func (b *Broker) Freeze() { b.signal(syscall.SIGSTOP) }

// Thaw lets a frozen broker go on.
func (b *Broker) Thaw() { b.signal(syscall.SIGCONT) }

// Forget throws away what a stopped broker has stored: sessions, queued and
// retained messages.
func (b *Broker) Forget() {
	b.t.Helper()
	if err := os.Remove(filepath.Join(b.dir, "mosquitto.db")); err != nil && !os.IsNotExist(err) {
		b.t.Fatal(err)
	}
}

func (b *Broker) signal(s syscall.Signal) {
	if b.cmd == nil {
		return
	}
	if err := b.cmd.Process.Signal(s); err != nil {
		b.t.Errorf("signal %v to mosquitto: %v", s, err)
	}
}

func (b *Broker) end(s syscall.Signal) {
	if b.cmd == nil {
		return
	}
	b.signal(s)
	b.signal(syscall.SIGCONT) // a frozen one ends too
	_ = b.cmd.Wait()          // its status is the signal's
	b.cmd = nil
}

// Pid is the process of a broker that runs.
func (b *Broker) Pid() int { return b.cmd.Process.Pid }

// Log gives what the broker wrote since its last start; call it when it has
// ended.
func (b *Broker) Log() string { return b.log.String() }
