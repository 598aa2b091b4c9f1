package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// patience is how long a test waits for what must come; it bounds a failure and
// slows no success.
const patience = 30 * time.Second

// stopTime is how long a clean stop may take.
const stopTime = 5 * time.Second

// fastExit keeps the race detector from waiting a second for more at each end of
// a process.
const fastExit = "atexit_sleep_ms=20"

// gatewayCall is the gateway's call sign in these tests.
const gatewayCall = "N0QRZ-10"

// process is a gateway in a process of its own, which can be stopped, killed and
// started again on the same folder.
type process struct {
	t       testing.TB
	program string
	dir     string
	http    string
	env     []string
	within  []string  // what it is started with: a place of its own
	cmd     *exec.Cmd // nil: not running
	log     record
}

// startDaemon starts the program, as the tests are built, with these settings
// and waits until it is ready. It ends with the test.
func startDaemon(t testing.TB, settings ...string) *process {
	t.Helper()
	d := newDaemon(t, settings...)
	d.start()
	return d
}

func newDaemon(t testing.TB, settings ...string) *process {
	t.Helper()
	program, err := exec.LookPath("posthouse") // TestMain put it there
	if err != nil {
		t.Fatal(err)
	}
	d := &process{t: t, program: program, dir: t.TempDir(), http: freePort(t)}
	d.env = append(cleanEnvironment(), "GORACE="+fastExit,
		"POSTHOUSE_CALLSIGN="+gatewayCall, "POSTHOUSE_DATA_DIR="+d.dir, "POSTHOUSE_HTTP_LISTEN="+d.http,
		"POSTHOUSE_LOG_LEVEL=debug", "POSTHOUSE_COUNTRY=US")
	d.env = append(d.env, settings...)
	t.Cleanup(func() {
		d.kill()
		d.examineLog()
	})
	return d
}

// cleanEnvironment is the test's own without what would set up a gateway.
func cleanEnvironment() (env []string) {
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "POSTHOUSE_") && !strings.HasPrefix(v, "STATE_DIRECTORY=") {
			env = append(env, v)
		}
	}
	return env
}

// start starts the program and waits until it answers that it is ready.
func (d *process) start() {
	d.t.Helper()
	d.begin()
	d.awaitReady()
}

func (d *process) awaitReady() {
	d.t.Helper()
	d.await("the gateway to be ready", func() bool { return strings.Contains(d.get("/readyz"), "ready") }) // or not ready, with a full disk
}

// begin starts the program and waits for nothing.
func (d *process) begin() {
	d.t.Helper()
	args := append(slices.Clone(d.within), d.program, "run")
	d.cmd = exec.Command(args[0], args[1:]...)
	d.cmd.Env, d.cmd.Stderr, d.cmd.Stdout = d.env, &d.log, &d.log
	d.cmd.Dir = d.dir
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
}

// stop asks for a clean stop and demands it in time, with exit code 0.
func (d *process) stop() {
	d.t.Helper()
	begun := time.Now()
	if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		d.t.Fatal(err)
	}
	err := d.cmd.Wait()
	d.cmd = nil
	if took := time.Since(begun); err != nil || took > stopTime {
		d.t.Fatalf("stopped after %v: %v", took, err)
	}
}

// kill ends the program at once, as a power failure would.
func (d *process) kill() {
	if d.cmd == nil {
		return
	}
	_ = d.cmd.Process.Kill() // it may have ended by itself
	_ = d.cmd.Wait()         // its status is the signal's
	d.cmd = nil
}

// examineLog fails the test for what must never be in a log, and shows the log
// of a test that failed.
func (d *process) examineLog() {
	log := d.log.String()
	for _, bad := range []string{"DATA RACE", "panic:", "fatal error:", "panic="} {
		if strings.Contains(log, bad) {
			d.t.Errorf("%q in the log", bad)
		}
	}
	if d.t.Failed() {
		d.t.Logf("the gateway's log:\n%s", tail(log, 200))
	}
}

func tail(text string, lines int) string {
	all := strings.Split(text, "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}

// client asks each time anew: a daemon is killed and comes back.
var client = &http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}

// get fetches a page; empty when nobody answers.
func (d *process) get(path string) string {
	resp, err := client.Get("http://" + d.http + path)
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

// awaitUp waits until each of these links is up.
func (d *process) awaitUp(links ...string) {
	d.t.Helper()
	for _, name := range links {
		d.await("link "+name+" to be up", func() bool {
			for _, line := range strings.Split(d.get("/readyz"), "\n") {
				if strings.HasPrefix(line, "link "+name+" ") {
					return strings.Contains(line, ") up ")
				}
			}
			return false
		})
	}
}

// metric gives a series' value; the series is written as on the page.
func (d *process) metric(series string) float64 {
	d.t.Helper()
	for _, line := range strings.Split(d.get("/metrics"), "\n") {
		if value, ok := strings.CutPrefix(line, series+" "); ok {
			v, err := strconv.ParseFloat(value, 64)
			if err != nil {
				d.t.Fatalf("%s: %v", series, err)
			}
			return v
		}
	}
	d.t.Fatalf("there is no series %s", series)
	return 0
}

// awaitMetric waits until a series has reached a value.
func (d *process) awaitMetric(series string, least float64) {
	d.t.Helper()
	d.await(fmt.Sprintf("%s to reach %g", series, least), func() bool { return d.metric(series) >= least })
}

// tell runs a command against the daemon and gives its output.
func (d *process) tell(args ...string) string {
	d.t.Helper()
	cmd := exec.Command(d.program, args...)
	cmd.Env = d.env
	out, err := cmd.CombinedOutput()
	if err != nil {
		d.t.Fatalf("posthouse %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// awaitLog waits for a line of the log that holds all of these words.
func (d *process) awaitLog(words ...string) {
	d.t.Helper()
	d.await(fmt.Sprintf("a line with %q in the log", words), func() bool {
		for _, line := range strings.Split(d.log.String(), "\n") {
			if containsAll(line, words) {
				return true
			}
		}
		return false
	})
}

func containsAll(line string, words []string) bool {
	for _, w := range words {
		if !strings.Contains(line, w) {
			return false
		}
	}
	return true
}

func (d *process) await(what string, is func() bool) {
	d.t.Helper()
	await(d.t, what, is)
}

// await waits until something is so, and fails the test if it never is.
func await(t testing.TB, what string, is func() bool) {
	t.Helper()
	if !becomes(patience, is) {
		t.Fatalf("waited %v for %s", patience, what)
	}
}

// becomes looks again and again whether something is so, until the time is over.
func becomes(within time.Duration, is func() bool) bool {
	late := time.NewTimer(within)
	defer late.Stop()
	again := time.NewTicker(10 * time.Millisecond)
	defer again.Stop()
	for !is() {
		select {
		case <-again.C:
		case <-late.C:
			return false
		}
	}
	return true
}

// rss is the memory that the daemon has in use, in bytes (proc(5), VmRSS).
func (d *process) rss() int64 {
	d.t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		d.t.Fatal(err)
	}
	for _, line := range strings.Split(string(b), "\n") {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmRSS:" {
			kib, err := strconv.ParseInt(f[1], 10, 64)
			if err != nil {
				d.t.Fatal(err)
			}
			return kib << 10
		}
	}
	d.t.Fatal("no VmRSS")
	return 0
}

// shipped builds the program as the packages hold it: what is measured or killed
// at random is to be the real thing, at its own speed. It has the tags that the
// tests have.
var shipped = sync.OnceValues(func() (string, error) {
	path := shippedPath()
	args := []string{"build", "-buildvcs=false", "-o", path}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "-tags" {
				args = append(args, "-tags", s.Value)
			}
		}
	}
	cmd := exec.Command("go", append(args, ".")...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, nil
})

func shippedPath() string {
	return filepath.Join(os.TempDir(), fmt.Sprintf("posthouse-shipped-%d", os.Getpid()))
}

// ship has a daemon run the program as it is shipped.
func (d *process) ship() {
	d.t.Helper()
	var err error
	if d.program, err = shipped(); err != nil {
		d.t.Fatal(err)
	}
}

// nextPort is where the search for a free port goes on: below the ports that the
// system gives to others (ip(7), ip_local_port_range), so that a port stays free
// while its owner is down.
var nextPort atomic.Int32

// freePort finds an address of the loopback that nobody uses.
func freePort(t testing.TB) string {
	t.Helper()
	const first, ports = 12000, 18000
	for range ports {
		n := (int(nextPort.Add(1)) + os.Getpid()*31) % ports
		address := fmt.Sprintf("127.0.0.1:%d", first+n)
		if l, err := net.Listen("tcp", address); err == nil {
			l.Close()
			return address
		}
	}
	t.Fatal("no free port")
	return ""
}

// record is a log that is written and read at once.
type record struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (r *record) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.b.Write(b)
}

// Reset forgets what was written.
func (r *record) Reset() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.b.Reset()
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.b.String()
}
