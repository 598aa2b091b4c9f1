//go:build hub

// Package etcdtest runs real etcd clusters for tests: a process a member, on
// loopback, on free ports, with its data in the test's temporary folder.
package etcdtest

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

const (
	// Require is the variable that makes a missing program a failure instead of a
	// reason to skip.
	Require = "POSTHOUSE_REQUIRE_REAL"
	// Path is the variable that names another etcd than the one that is installed.
	Path = "POSTHOUSE_TEST_ETCD"

	patience = time.Minute
)

// Cluster is an etcd cluster. It ends with the test.
type Cluster struct {
	Endpoints []string // host:port for clients, of each member

	t       testing.TB
	program string
	options []string
	members []*member
}

type member struct {
	name, dir, client, peer string
	seen                    string    // host:port by which the test sees it, if not as the others do
	within                  []string  // what it is started with
	options                 []string  // its own, behind those of all
	cmd                     *exec.Cmd // nil: it does not run
	log                     bytes.Buffer
}

// Start starts a cluster of n members with further options of etcd.
func Start(t testing.TB, n int, options ...string) *Cluster {
	t.Helper()
	c := &Cluster{t: t, program: program(t), options: options}
	ports := freePorts(t, 2*n)
	for i := range n {
		m := &member{name: fmt.Sprint("m", i), dir: t.TempDir(), client: ports[2*i], peer: ports[2*i+1]}
		c.members = append(c.members, m)
		c.Endpoints = append(c.Endpoints, m.client)
	}
	c.begin()
	return c
}

// begin starts all members and waits until they serve.
func (c *Cluster) begin() {
	c.t.Helper()
	c.t.Cleanup(func() {
		for i := range c.members {
			c.Kill(i)
		}
	})
	for i := range c.members {
		c.Up(i)
	}
	for i := range c.members {
		c.Await(i)
	}
}

// program gives the path of etcd, or skips the test for want of it.
func program(t testing.TB) string {
	t.Helper()
	name := "etcd"
	if other := os.Getenv(Path); other != "" {
		name = other
	}
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
		return path
	case os.Getenv(Require) == "1" || name != "etcd":
		t.Fatalf("%s is not installed: apt-get install etcd-server", name)
	}
	t.Skip("etcd is not installed, so this test against the real program is skipped: apt-get install etcd-server, or build queue/etcdstore/etcd")
	return ""
}

// freePorts finds addresses on which nobody listens now.
func freePorts(t testing.TB, n int) (all []string) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close() // together: so they differ
		all = append(all, l.Addr().String())
	}
	return all
}

// Up starts a member, for the first time or again, and does not wait for it.
func (c *Cluster) Up(i int) {
	c.t.Helper()
	m := c.members[i]
	var all []string
	for _, o := range c.members {
		all = append(all, o.name+"=http://"+o.peer)
	}
	m.log.Reset()
	listen := "http://" + m.client
	if m.seen != "" {
		listen += ",http://" + m.seen
	}
	args := slices.Concat(m.within, []string{
		c.program, "--name", m.name, "--data-dir", filepath.Join(m.dir, "data"), "--initial-cluster", strings.Join(all, ","),
		"--listen-client-urls", listen, "--advertise-client-urls", "http://" + m.client,
		"--listen-peer-urls", "http://" + m.peer, "--initial-advertise-peer-urls", "http://" + m.peer,
		"--logger", "zap", "--log-level", "warn", "--heartbeat-interval", "50", "--election-timeout", "500",
	}, c.options, m.options)
	m.cmd = exec.Command(args[0], args[1:]...)
	m.cmd.Stdout, m.cmd.Stderr = &m.log, &m.log
	if err := m.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
}

// Await waits until a member serves.
func (c *Cluster) Await(i int) {
	c.t.Helper()
	m := c.members[i]
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for !healthy(ctx, m.address()) {
		select {
		case <-ctx.Done():
			c.Kill(i)
			c.t.Fatalf("etcd does not serve:\n%s", m.lastWords())
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// address is how the test sees a member.
func (m *member) address() string {
	if m.seen != "" {
		return m.seen
	}
	return m.client
}

// lastWords is the end of the log of a member that has ended.
func (m *member) lastWords() string {
	lines := strings.Split(strings.TrimSpace(m.log.String()), "\n")
	return strings.Join(lines[max(0, len(lines)-5):], "\n")
}

func healthy(ctx context.Context, addr string) bool {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/health", nil)
	if err != nil {
		return false
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	resp.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	return resp.StatusCode == http.StatusOK
}

// Kill ends a member as kill -9 does, if it runs.
func (c *Cluster) Kill(i int) {
	m := c.members[i]
	if m.cmd == nil {
		return
	}
	_ = m.cmd.Process.Kill() // it may have ended by itself
	_ = m.cmd.Wait()         // "signal: killed"
	m.cmd = nil
}
