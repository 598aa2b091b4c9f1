package main

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"posthouse/adapters"
)

// crowdSize is how many connections a crowd has; POSTHOUSE_LONG asks for thousands.
func crowdSize() int {
	if patient() {
		return 3_000
	}
	return 150
}

// fewFiles is how many files a daemon may have open in these tests: fewer than a
// long crowd has connections.
const fewFiles = 256

// crowds are what slow and rude clients do with a connection. Each says how it
// opens, and whether it goes on to drip bytes.
var crowds = []struct {
	name  string
	opens map[string]string // by port; none: silence
	drips bool
}{
	{"who say nothing", nil, false},
	{"who begin and stop", map[string]string{
		"valley": "\x10\x7f\x00\x04MQTT\x04", "far": "\x10\x7f\x00\x04MQTT\x04", "smtp": "EHLO clu", "http": "GET /metrics HTTP/1.1\r\nHost: loc", "control": "POST /send HTTP/1.1\r\nHost: x\r\nContent-Length: 60000\r\n\r\n{",
	}, false},
	{"who drip", map[string]string{"http": "GET /metrics HTTP/1.1\r\nX: ", "control": "GET /links HTTP/1.1\r\nX: "}, true},
	{"who ask and never read", map[string]string{
		"valley": "\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01z" + strings.Repeat("\xc0\x00", 1000), // CONNECT, PINGREQ
		"far":    "\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01z" + strings.Repeat("\xc0\x00", 1000),
		"smtp":   "EHLO club.example\r\n" + strings.Repeat("NOOP\r\n", 2000),
		"http":   strings.Repeat("GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n", 200), "control": strings.Repeat("GET /links HTTP/1.1\r\nHost: localhost\r\n\r\n", 200),
	}, false},
}

// TestCrowds: crowds of slow clients on each port at once, more than the daemon
// may have files open in the long form. Whoever is connected goes on being
// served; when the crowd has gone the daemon is as it was before.
func TestCrowds(t *testing.T) {
	t.Parallel()
	far := freePort(t)
	key, trust := keys(t, gatewayCall)
	x := aim(t, "POSTHOUSE_LINKS=valley,hill,aprs,post,far", "POSTHOUSE_VALLEY_MESH=valley", "POSTHOUSE_HILL_MESH=hill", "POSTHOUSE_LOG_LEVEL=warn",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_LISTEN="+far, "POSTHOUSE_FAR_SIGNING_KEY_FILE="+key[gatewayCall], "POSTHOUSE_FAR_TRUST_FILE="+trust)
	x.limitFiles()
	x.works()
	x.works()
	files, routines, memory := x.files(), x.metric("go_goroutines"), x.anon()
	ports := map[string]string{"valley": x.valley, "far": far, "smtp": x.smtp, "http": x.http, "control": filepath.Join(x.dir, "control.sock")}
	for _, c := range crowds {
		var people []*loiterer
		for name, address := range ports {
			for range crowdSize() / len(ports) {
				people = append(people, loiter(t, address, c.opens[name], c.drips))
			}
		}
		x.alder.say(said{ID: "meanwhile " + c.name, To: "N0QRB-9", Text: "meanwhile, " + c.name})
		x.birch.expectText("meanwhile, " + c.name)
		x.alder.expectAck("meanwhile " + c.name)
		x.alder.say(said{ID: "mail " + c.name, To: "ann@club.example", Text: "to ann, " + c.name})
		x.alder.expectAck("mail " + c.name)
		for _, p := range people {
			p.leave()
		}
		x.works()
		t.Logf("%d %s: served meanwhile and after", len(people), c.name)
	}
	x.await("open files, goroutines and memory to be as before", func() bool {
		return x.files() <= files+8 && x.metric("go_goroutines") <= routines+16 && x.anon() <= memory+growth
	})
	t.Logf("open files %d, before %d; goroutines %g, before %g; own memory %d KiB, before %d", x.files(), files, x.metric("go_goroutines"), routines, x.anon()>>10, memory>>10)
	x.stop()
}

// files counts what the daemon has open.
func (d *process) files() int {
	d.t.Helper()
	all, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", d.cmd.Process.Pid))
	if err != nil {
		d.t.Fatal(err)
	}
	return len(all)
}

// limitFiles bounds how many files the daemon may have open.
func (d *process) limitFiles() {
	d.t.Helper()
	if err := unix.Prlimit(d.cmd.Process.Pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: fewFiles, Max: fewFiles}, nil); err != nil {
		d.t.Fatal(err)
	}
}

// loiterer is a client that keeps a connection and does nothing useful with it.
type loiterer struct {
	conn net.Conn
	end  chan struct{}
	done sync.WaitGroup
}

// loiter opens a connection. Being turned away is fine.
func loiter(t *testing.T, address, opening string, drips bool) *loiterer {
	t.Helper()
	network := "tcp"
	if filepath.IsAbs(address) {
		network = "unix"
	}
	p := &loiterer{end: make(chan struct{})}
	conn, err := net.DialTimeout(network, address, patience)
	if err != nil { // nobody listens any more, or the line is full: a unix socket says so at once
		if network == "tcp" {
			t.Fatal(err)
		}
		return p
	}
	p.conn = conn
	_ = conn.SetWriteDeadline(time.Now().Add(2 * time.Second))
	_, _ = io.WriteString(conn, opening)
	if drips {
		p.done.Go(func() {
			pace := time.NewTicker(200 * time.Millisecond)
			defer pace.Stop()
			for {
				select {
				case <-p.end:
					return
				case <-pace.C:
				}
				_ = conn.SetWriteDeadline(time.Now().Add(time.Second))
				if _, err := conn.Write([]byte("a")); err != nil {
					return
				}
			}
		})
	}
	return p
}

func (p *loiterer) leave() {
	close(p.end)
	p.done.Wait()
	if p.conn != nil {
		p.conn.Close()
	}
}

// rudeServers are what a server may do to the daemon that connects to it. Each
// gets a connection, and has it until it returns.
var rudeServers = map[string]func(conn net.Conn, end <-chan struct{}){
	"silent":   func(_ net.Conn, end <-chan struct{}) { <-end },
	"hangs up": func(net.Conn, <-chan struct{}) {},
	"drips": func(conn net.Conn, end <-chan struct{}) {
		pace := time.NewTicker(50 * time.Millisecond)
		defer pace.Stop()
		for {
			select {
			case <-end:
				return
			case <-pace.C:
				if _, err := conn.Write([]byte(" ")); err != nil {
					return
				}
			}
		}
	},
	"a line without an end": func(conn net.Conn, _ <-chan struct{}) {
		for block := []byte(strings.Repeat("220-# ", 10_000)); ; {
			if _, err := conn.Write(block); err != nil {
				return
			}
		}
	},
	"lines without an end": func(conn net.Conn, _ <-chan struct{}) {
		for block := []byte(strings.Repeat("220-# welcome\r\n", 4_000)); ; {
			if _, err := conn.Write(block); err != nil {
				return
			}
		}
	},
	"MQTT packets of any size": func(conn net.Conn, _ <-chan struct{}) {
		_, _ = conn.Write([]byte("\x20\x02\x00\x00"))                                                       // CONNACK
		for block := append([]byte("\x30\xff\xff\xff\x7f\x00\x0bvalley/from"), make([]byte, 1<<20)...); ; { // 256 MiB are to come
			if _, err := conn.Write(block); err != nil {
				return
			}
		}
	},
}

// TestRudeServers: the broker, the APRS-IS server and the smarthost that the
// daemon connects to are hostile. The other links go on, memory stays flat, and
// a stop takes no longer than ever.
func TestRudeServers(t *testing.T) {
	t.Parallel()
	for name, serve := range rudeServers {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server, connections := rudeServer(t, serve)
			lake, pond := freePort(t), freePort(t)
			d := newDaemon(t, append(append(append(mesh("valley", server), ownMesh("lake", lake)...), ownMesh("pond", pond)...),
				"POSTHOUSE_LINKS=valley,lake,pond,aprs,post", "POSTHOUSE_LOG_LEVEL=warn", "POSTHOUSE_RATE=10000/1s",
				"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+server, fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)),
				"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST="+server, "POSTHOUSE_POST_SMARTHOST_TLS=none")...)
			d.ship()
			d.start()
			pine, cedar := join(t, lake, "lake", "N0QTP-1"), join(t, pond, "pond", "N0QTC-1")
			d.awaitUp("lake", "pond")
			cedar.position()
			pine.say(said{ID: "mail", To: "ann@club.example", Text: "to ann"}) // so that it calls the smarthost
			await(t, "three links to connect", func() bool { return connections() >= 3 })
			before := d.anon()
			for i := range 20 {
				id := fmt.Sprint("t", i)
				pine.say(said{ID: id, To: "N0QTC-1", Text: "all well here " + id})
				pine.expectAck(id)
			}
			if grown := d.anon() - before; grown > growth {
				t.Errorf("memory grew by %d KiB from %d KiB", grown>>10, before>>10)
			}
			if got := pine.all(func(f said) bool { return f.Ack == "mail" }); len(got) > 0 {
				t.Error("the mail counts as delivered")
			}
			d.stop()
		})
	}
}

// rudeServer listens on a port; connections tells how many it has had.
func rudeServer(t *testing.T, serve func(net.Conn, <-chan struct{})) (address string, connections func() int) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	had := 0
	end := make(chan struct{})
	var work sync.WaitGroup
	open := map[net.Conn]bool{}
	work.Go(func() {
		for {
			conn, err := l.Accept()
			if errors.Is(err, net.ErrClosed) {
				return
			}
			mu.Lock()
			had++
			open[conn] = true
			mu.Unlock()
			work.Go(func() { defer conn.Close(); serve(conn, end) })
		}
	})
	t.Cleanup(func() {
		close(end)
		l.Close()
		mu.Lock()
		for conn := range open {
			conn.Close()
		}
		mu.Unlock()
		work.Wait()
	})
	return l.Addr().String(), func() int { mu.Lock(); defer mu.Unlock(); return had }
}
