package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

const (
	daemon  = "posthouse"
	memory  = "mosquitto memory"
	durable = "mosquitto durable"
	relay   = "postfix"

	gateway  = "N0QRZ-10"
	patience = 30 * time.Second // for a program to start, a link to come up
)

// process is one program of the stage.
type process struct {
	name string
	path string
	args []string
	env  []string
	log  string    // the file that its output goes to
	cmd  *exec.Cmd // nil: not running
}

func (p *process) start() error {
	out, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer out.Close()
	cmd := exec.Command(p.path, p.args...)
	cmd.Env, cmd.Stdout, cmd.Stderr = p.env, out, out
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("starting %s: %w", p.name, err)
	}
	p.cmd = cmd
	return nil
}

// end stops the program with a signal, by its own pid, and waits for it.
func (p *process) end(sig syscall.Signal) {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(sig) // it may have ended by itself
	late := time.AfterFunc(patience, func() { _ = p.cmd.Process.Kill() })
	_ = p.cmd.Wait() // its status is the signal's
	late.Stop()
	p.cmd = nil
}

// stage is two brokers and what carries from the one to the other.
type stage struct {
	o         options
	target    string
	dir       string
	near      *process // broker A; nil: one that runs already, or the built-in one
	far       *process // broker B; nil: one that runs already
	carrier   *process
	fromURL   string // where the senders publish
	toURL     string // where the far stations listen
	http      string // of the daemon
	smtp      string // of the daemon
	addr      string // of the peer
	smarthost string // where the daemon's mails go; empty: nowhere
	isDaemon  bool
	topics    topics
}

// topics are where the stations of either side speak and listen.
type topics struct{ nearSays, nearHears, farSays, farHears string }

// newStage starts everything and waits until the daemon is ready. Its mails go to
// the smarthost, if there is one.
func newStage(ctx context.Context, o options, target, dir, smarthost string) (s *stage, err error) {
	s = &stage{o: o, target: target, dir: dir, fromURL: o.from, toURL: o.to, isDaemon: target == daemon, smarthost: smarthost}
	defer func() {
		if err != nil {
			s.end()
		}
	}()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return s, err
	}
	own := s.isDaemon && o.builtin || !s.isDaemon && o.queued > 0 // the carrier is the broker that is published to
	if s.fromURL == "" && !own {
		if s.near, s.fromURL, err = startBroker(ctx, dir, "a", nil); err != nil {
			return s, err
		}
	}
	if s.toURL == "" {
		if s.far, s.toURL, err = startBroker(ctx, dir, "b", nil); err != nil {
			return s, err
		}
	}
	if s.isDaemon {
		return s, s.startDaemon(ctx)
	}
	return s, s.startPeer(ctx, target == durable)
}

func (s *stage) end() {
	for _, p := range []*process{s.carrier, s.near, s.far} {
		if p != nil {
			p.end(syscall.SIGTERM)
		}
	}
}

// startDaemon starts posthouse with two mesh links.
func (s *stage) startDaemon(ctx context.Context) error {
	s.topics = topics{"valley/from", "valley/to", "hill/from", "hill/to"}
	s.http = freePort()
	near := "POSTHOUSE_VALLEY_BROKER_URL=" + s.fromURL
	if s.o.builtin {
		port := freePort()
		near, s.fromURL = "POSTHOUSE_VALLEY_BROKER_LISTEN="+port, "tcp://"+port
	}
	s.carrier = &process{
		name: "posthouse", path: s.o.program, args: []string{"run"}, log: filepath.Join(s.dir, "posthouse.log"),
		env: append(cleanEnvironment(),
			"POSTHOUSE_CALLSIGN="+gateway, "POSTHOUSE_LINKS=valley,hill", "POSTHOUSE_RATE=10000/1s",
			"POSTHOUSE_VALLEY_KIND=mesh", near,
			"POSTHOUSE_HILL_KIND=mesh", "POSTHOUSE_HILL_BROKER_URL="+s.toURL,
			"POSTHOUSE_DATA_DIR="+filepath.Join(s.dir, "data"), "POSTHOUSE_HTTP_LISTEN="+s.http,
			"CPU_PROFILE="+s.o.profile),
	}
	s.addPost()
	if s.o.keepLog > 0 {
		s.carrier.env = append(s.carrier.env, "POSTHOUSE_KEEP_LOG="+s.o.keepLog.String())
	}
	if err := s.carrier.start(); err != nil {
		return err
	}
	up := 2
	if s.o.builtin {
		up = 1 // the built-in broker's link is up once somebody listens there
	}
	err := await(ctx, func() bool {
		page := s.get("/readyz")
		return strings.HasPrefix(page, "ready") && strings.Count(page, " up since ") >= up
	})
	if err != nil {
		return fmt.Errorf("the daemon and its links: %w\n%s", err, tail(s.carrier.log))
	}
	return nil
}

// addPost gives the daemon a mail link where the way has one.
func (s *stage) addPost() {
	if s.o.way == meshToMesh {
		return
	}
	s.smtp = freePort()
	s.carrier.env = append(s.carrier.env, // of two values of a variable the last counts
		"POSTHOUSE_LINKS=valley,hill,post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN="+radioDomain,
		"POSTHOUSE_POST_LISTEN="+s.smtp, "POSTHOUSE_POST_ALLOW=*@"+clubDomain)
	if s.smarthost != "" {
		s.carrier.env = append(s.carrier.env, "POSTHOUSE_POST_SMARTHOST="+s.smarthost, "POSTHOUSE_POST_SMARTHOST_TLS=none")
	}
}

// startPeer starts a Mosquitto that takes from the one broker and gives to the
// other, and back. Durable is the most that Mosquitto can do: it saves its state
// after every change, but before no PUBACK.
func (s *stage) startPeer(ctx context.Context, durable bool) (err error) {
	s.topics = topics{"valley/from", "hill/from", "hill/from", "valley/from"}
	var lines []string
	if durable {
		lines = []string{"autosave_on_changes true", "autosave_interval 1"}
	}
	bridge := func(name, broker, in, out string) {
		lines = append(lines, "connection "+name, "address "+strings.TrimPrefix(broker, "tcp://"),
			"topic "+in+" in 1", "topic "+out+" out 1", "cleansession false", "notifications false", "restart_timeout 1")
	}
	if s.near != nil {
		bridge("near", s.fromURL, "valley/from", "hill/from")
	}
	bridge("far", s.toURL, "hill/from", "valley/from")
	var url string
	s.carrier, url, err = startBroker(ctx, s.dir, "middle", lines)
	s.addr = strings.TrimPrefix(url, "tcp://")
	if s.fromURL == "" {
		s.fromURL = url
	}
	return err
}

// startBroker starts a Mosquitto on a free port that drops nothing for want of
// room in its queues, and gives its address.
func startBroker(ctx context.Context, dir, name string, more []string) (*process, string, error) {
	path, err := program("mosquitto")
	if err != nil {
		return nil, "", err
	}
	addr := freePort()
	host, port, _ := net.SplitHostPort(addr) // freePort made it
	store := filepath.Join(dir, name)
	lines := append([]string{
		"listener " + port + " " + host, "allow_anonymous true", "persistence true", "persistence_location " + store + "/",
		"max_queued_messages 0", "max_inflight_messages 1000", "set_tcp_nodelay true", "log_dest stderr", "log_type error", "log_type warning",
	}, more...)
	if os.Geteuid() == 0 {
		lines = append([]string{"user root"}, lines...) // else it changes to one that may not enter the folder
	}
	conf := filepath.Join(dir, name+".conf")
	if err := errors.Join(os.MkdirAll(store, 0o700), os.WriteFile(conf, []byte(strings.Join(lines, "\n")+"\n"), 0o600)); err != nil {
		return nil, "", err
	}
	p := &process{name: "mosquitto " + name, path: path, args: []string{"-c", conf}, log: filepath.Join(dir, name+".log")}
	if err := p.start(); err != nil {
		return nil, "", err
	}
	return p, "tcp://" + addr, listening(ctx, p, addr)
}

// program finds a server's program; it is not on everybody's PATH.
func program(name string) (string, error) {
	for _, dir := range []string{"", "/usr/sbin/", "/usr/local/sbin/"} {
		if path, err := exec.LookPath(dir + name); err == nil {
			return path, nil
		}
	}
	return "", fmt.Errorf("%s is not installed: apt-get install %s", name, name)
}

// listening waits until a program takes connections.
func listening(ctx context.Context, p *process, addr string) error {
	err := await(ctx, func() bool {
		conn, err := net.Dial("tcp", addr)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
	if err != nil {
		p.end(syscall.SIGTERM)
		return fmt.Errorf("%s: %w\n%s", p.name, err, tail(p.log))
	}
	return nil
}

// kill ends the carrier at once and starts it again.
func (s *stage) kill(ctx context.Context) error {
	s.carrier.end(syscall.SIGKILL)
	if err := s.carrier.start(); err != nil {
		return err
	}
	if !s.isDaemon {
		return listening(ctx, s.carrier, s.addr)
	}
	return await(ctx, s.ready)
}

// ready tells whether the daemon takes messages over.
func (s *stage) ready() bool { return strings.HasPrefix(s.get("/readyz"), "ready") }

// profile has a daemon that was built for it write its CPU profile.
func (s *stage) profile(ctx context.Context) error {
	if s.o.profile == "" || !s.isDaemon {
		return nil
	}
	if err := os.Remove(s.o.profile); err != nil && !errors.Is(err, os.ErrNotExist) { // an earlier one would be taken for it
		return err
	}
	if err := s.carrier.cmd.Process.Signal(syscall.SIGUSR1); err != nil {
		return err
	}
	err := await(ctx, func() bool { _, err := os.Stat(s.o.profile); return err == nil })
	if err != nil {
		return fmt.Errorf("%s was not written; is the program built with -tags profile? %w", s.o.profile, err)
	}
	return nil
}

var client = &http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}

// get fetches a page of the daemon; empty when nobody answers.
func (s *stage) get(path string) string {
	resp, err := client.Get("http://" + s.http + path)
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

// await looks again and again until something is true, for as long as one has
// patience.
func await(ctx context.Context, ready func() bool) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	return awaitLong(ctx, ready)
}

// awaitLong does so until ctx ends.
func awaitLong(ctx context.Context, ready func() bool) error {
	begun := time.Now()
	for !ready() {
		select {
		case <-ctx.Done():
			return fmt.Errorf("not ready after %v: %w", time.Since(begun).Round(time.Second), ctx.Err())
		case <-time.After(5 * time.Millisecond):
		}
	}
	return nil
}

// freePort finds an address on loopback that nobody listens on now.
func freePort() string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "127.0.0.1:0" // whoever listens there will say what is wrong
	}
	defer l.Close()
	return l.Addr().String()
}

// cleanEnvironment is ours without what would set up a gateway.
func cleanEnvironment() (env []string) {
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "POSTHOUSE_") && !strings.HasPrefix(v, "STATE_DIRECTORY=") {
			env = append(env, v)
		}
	}
	return env
}

// tail gives the end of a log.
func tail(file string) string {
	b, err := os.ReadFile(file)
	if err != nil {
		return err.Error()
	}
	return string(b[max(0, len(b)-2000):])
}
