// Package postfixtest runs a real Postfix for tests: as root, on the loopback
// and a free port, with a configuration and a queue of its own in a temporary
// folder. It relays for whoever is on this machine, so it can be a gateway's
// smarthost and the mail server in front of a gateway at once.
package postfixtest

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"posthouse/adapters/realtest"
)

// Options are what differs from one test to the next.
type Options struct {
	NextHop string            // host:port of the server that takes what has no transport
	To      map[string]string // domain -> host:port of the server that takes its mail
	Conf    []string          // more lines of main.cf
}

// Postfix is one mail system. It ends with the test.
type Postfix struct {
	Addr string // 127.0.0.1:port

	t    testing.TB
	dir  string
	path string
	cmd  *exec.Cmd // nil: not running
	log  realtest.Log
}

// Start starts a mail system, or skips the test for want of one.
func Start(t testing.TB, o Options) *Postfix {
	t.Helper()
	p := &Postfix{t: t, path: Program(t, "postfix")}
	if os.Geteuid() != 0 {
		realtest.Missing(t, "Postfix only runs as root")
	}
	p.Addr = realtest.FreeAddress(t)
	p.makeFolder()
	p.configure(o)
	t.Cleanup(p.Stop)
	p.Restart()
	return p
}

// Program gives the path of a program that mail is tested with, or skips the test
// for want of it.
func Program(t testing.TB, name string) string {
	t.Helper()
	return realtest.Program(t, name, "postfix swaks")
}

// makeFolder makes folders that Postfix's own user may enter: those of
// testing.TB are closed to it.
func (p *Postfix) makeFolder() {
	p.t.Helper()
	dir, err := os.MkdirTemp("", "postfixtest-")
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { os.RemoveAll(dir) }) // runs after Stop
	p.dir = dir
	for _, name := range []string{"", "etc", "queue", "data"} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(path, 0o755); err != nil {
			p.t.Fatal(err)
		}
		if err := os.Chmod(path, 0o755); err != nil { // whatever the umask
			p.t.Fatal(err)
		}
	}
	uid, gid := owner(p.t)
	if err := os.Chown(filepath.Join(dir, "data"), uid, gid); err != nil {
		p.t.Fatal(err)
	}
}

// owner gives the ids of Postfix's user.
func owner(t testing.TB) (uid, gid int) {
	t.Helper()
	for _, q := range []struct {
		flag string
		id   *int
	}{{"-u", &uid}, {"-g", &gid}} {
		out, err := exec.Command("id", q.flag, "postfix").Output()
		if err == nil {
			*q.id, err = strconv.Atoi(strings.TrimSpace(string(out)))
		}
		if err != nil {
			t.Fatalf("the user postfix: %v", err)
		}
	}
	return uid, gid
}

// configure writes main.cf (postconf(5)) and master.cf (master(5)).
func (p *Postfix) configure(o Options) {
	p.t.Helper()
	var transport, domains []string
	for domain, address := range o.To {
		transport = append(transport, "{"+domain+" = smtp:"+nextHop(address)+"}")
		domains = append(domains, domain)
	}
	lines := []string{
		"compatibility_level = 3.6",
		"queue_directory = " + p.dir + "/queue", "data_directory = " + p.dir + "/data",
		"maillog_file = /dev/stdout",
		"inet_interfaces = 127.0.0.1", "inet_protocols = ipv4",
		"myhostname = relay.example", "myorigin = relay.example",
		"mydestination =", "local_recipient_maps =", "alias_maps =", "mynetworks = 127.0.0.0/8",
		"relay_domains = " + strings.Join(domains, ", "),
		"transport_maps = inline:{" + strings.Join(transport, " ") + "}",
		"disable_dns_lookups = yes", "smtpd_peername_lookup = no",
		"smtpd_client_connection_count_limit = 0",
		// Postfix takes what is due within the next second for due. What it tries again before the process of the
		// last try has let go of it is "still being delivered", and waits for a minute.
		"minimal_backoff_time = 3s", "maximal_backoff_time = 3s", "queue_run_delay = 1s", "transport_retry_time = 1s",
	}
	if len(transport) == 0 {
		lines = append(lines, "transport_maps =")
	}
	if o.NextHop != "" {
		lines = append(lines, "relayhost = "+nextHop(o.NextHop))
	}
	p.write("main.cf", append(lines, o.Conf...))
	p.write("master.cf", services(p.Addr))
}

// services are the processes that a relay needs, none of them in a chroot.
func services(listen string) []string {
	return []string{
		listen + " inet n - n - - smtpd", "postlog unix-dgram n - n - 1 postlogd",
		"pickup unix n - n 60 1 pickup", "cleanup unix n - n - 0 cleanup", "qmgr unix n - n 300 1 qmgr",
		"tlsmgr unix - - n 1000? 1 tlsmgr", "rewrite unix - - n - - trivial-rewrite",
		"bounce unix - - n - 0 bounce", "defer unix - - n - 0 bounce", "trace unix - - n - 0 bounce",
		"verify unix - - n - 1 verify", "flush unix n - n 1000? 0 flush", "proxymap unix - - n - - proxymap",
		"smtp unix - - n - - smtp", "showq unix n - n - - showq", "error unix - - n - - error",
		"retry unix - - n - - error", "anvil unix - - n - 1 anvil", "scache unix - - n - 1 scache",
	}
}

// nextHop writes an address as Postfix does: in brackets, so that nobody asks
// the DNS.
func nextHop(address string) string {
	host, port, _ := net.SplitHostPort(address)
	return "[" + host + "]:" + port
}

func (p *Postfix) write(name string, lines []string) {
	p.t.Helper()
	if err := os.WriteFile(filepath.Join(p.dir, "etc", name), []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
		p.t.Fatal(err)
	}
}

// Restart starts the mail system on its old port with its old queue. It must
// have been stopped.
func (p *Postfix) Restart() {
	p.t.Helper()
	p.cmd = exec.Command(p.path, "-c", filepath.Join(p.dir, "etc"), "start-fg")
	p.cmd.Stdout, p.cmd.Stderr = &p.log, &p.log
	p.cmd.WaitDelay = realtest.Patience // its children hold the log open
	if err := p.cmd.Start(); err != nil {
		p.t.Fatalf("start postfix: %v", err)
	}
	if err := realtest.Listening(p.Addr); err != nil {
		p.Stop()
		p.t.Fatalf("postfix does not listen on %s: %v\n%s", p.Addr, err, p.Log())
	}
}

// Stop ends the mail system with all its processes; a stopped one stays so.
func (p *Postfix) Stop() {
	if p.cmd == nil {
		return
	}
	// master(8) passes SIGTERM on to the daemons that it started.
	b, err := os.ReadFile(filepath.Join(p.dir, "queue", "pid", "master.pid"))
	pid, bad := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil || bad != nil {
		p.t.Errorf("no process to stop: %v %v", err, bad)
		p.cmd.Process.Kill()
	} else if err := syscall.Kill(pid, syscall.SIGTERM); err != nil {
		p.t.Errorf("stop postfix: %v", err)
	}
	_ = p.cmd.Wait() // its status is the signal's
	p.cmd = nil
}

// Log gives what the mail system wrote so far.
func (p *Postfix) Log() string { return p.log.String() }
