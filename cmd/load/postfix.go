package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// postfix is a Postfix of its own between SMTP and SMTP, with the settings that
// make it relay fastest (postconf(5)). It only runs as root.
type postfix struct {
	process
	dir, addr string
}

// startPostfix starts a relay to one next hop. Its folder is a new one beside the
// others: Postfix's own user has to enter it.
func startPostfix(ctx context.Context, in, nextHop string) (*postfix, error) {
	path, err := program("postfix")
	if err != nil {
		return nil, err
	}
	if os.Geteuid() != 0 {
		return nil, errors.New("postfix only runs as root")
	}
	dir, err := os.MkdirTemp(in, "posthouse-load-postfix-")
	if err != nil {
		return nil, err
	}
	p := &postfix{dir: dir, addr: freePort(), process: process{
		name: "postfix", path: path, args: []string{"-c", filepath.Join(dir, "etc"), "start-fg"}, log: filepath.Join(dir, "log"),
	}}
	if err := p.configure(nextHop); err != nil {
		return p, err
	}
	if err := p.start(); err != nil {
		return p, err
	}
	return p, listening(ctx, &p.process, p.addr)
}

func (p *postfix) configure(nextHop string) error {
	var all []error
	for _, name := range []string{"", "etc", "queue", "data"} {
		path := filepath.Join(p.dir, name)
		all = append(all, os.MkdirAll(path, 0o755), os.Chmod(path, 0o755)) // whatever the umask
	}
	owner, err := exec.Command("id", "-u", "postfix").Output()
	uid, bad := strconv.Atoi(strings.TrimSpace(string(owner)))
	host, port, split := net.SplitHostPort(nextHop)
	all = append(all, err, bad, split, os.Chown(filepath.Join(p.dir, "data"), uid, -1))
	for name, lines := range map[string][]string{
		"main.cf": {
			"compatibility_level = 3.6", "queue_directory = " + p.dir + "/queue", "data_directory = " + p.dir + "/data", "maillog_file = /dev/stdout",
			"inet_interfaces = 127.0.0.1", "inet_protocols = ipv4", "mynetworks = 127.0.0.0/8", "myhostname = relay.example",
			"mydestination =", "local_recipient_maps =", "alias_maps =", "disable_dns_lookups = yes", "smtp_host_lookup = native", "smtpd_peername_lookup = no",
			"relayhost = [" + host + "]:" + port,
			"in_flow_delay = 0", "default_process_limit = 200", "smtpd_client_connection_count_limit = 0",
			"default_destination_concurrency_limit = 50", "initial_destination_concurrency = 50", "smtp_connection_cache_destinations = " + host,
		},
		"master.cf": {
			p.addr + " inet n - n - - smtpd", "postlog unix-dgram n - n - 1 postlogd",
			"pickup unix n - n 60 1 pickup", "cleanup unix n - n - 0 cleanup", "qmgr unix n - n 300 1 qmgr",
			"rewrite unix - - n - - trivial-rewrite", "bounce unix - - n - 0 bounce", "defer unix - - n - 0 bounce", "trace unix - - n - 0 bounce",
			"flush unix n - n 1000? 0 flush", "proxymap unix - - n - - proxymap", "smtp unix - - n - - smtp", "relay unix - - n - - smtp",
			"error unix - - n - - error", "retry unix - - n - - error", "anvil unix - - n - 1 anvil", "scache unix - - n - 1 scache",
		},
	} {
		all = append(all, os.WriteFile(filepath.Join(p.dir, "etc", name), []byte(strings.Join(lines, "\n")+"\n"), 0o644))
	}
	return errors.Join(all...)
}

// stop ends the relay with all its processes: master(8) passes the signal on to
// the daemons that it started.
func (p *postfix) stop() error {
	defer os.RemoveAll(p.dir)
	if p.cmd == nil {
		return nil
	}
	b, err := os.ReadFile(filepath.Join(p.dir, "queue", "pid", "master.pid"))
	pid, bad := strconv.Atoi(strings.TrimSpace(string(b)))
	if err := errors.Join(err, bad); err != nil {
		p.end(syscall.SIGTERM)
		return fmt.Errorf("postfix: no process to stop: %w", err)
	}
	if err := syscall.Kill(pid, syscall.SIGTERM); err != nil {
		return fmt.Errorf("stopping postfix: %w", err)
	}
	_ = p.cmd.Wait() // its status is the signal's
	p.cmd = nil
	return nil
}
