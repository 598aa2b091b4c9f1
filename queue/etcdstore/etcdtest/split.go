//go:build hub

package etcdtest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Split is two sites, each a network namespace, joined by a switch that can be
// made to drop all: nobody is told. The test's own network is reached from either
// site by a cable of its own, which stays.
type Split struct {
	Sites [2]*Site

	t     testing.TB
	lan   string // the switch's namespace
	ports [2]string
}

// Site is one end of a Split.
type Site struct {
	Addr string // by which the other site sees it
	Here string // by which the test sees it
	Home string // by which it sees the test

	name string
}

// NewSplit makes the sites, or skips the test where that is not allowed. They end
// with the test. The addresses are those for tests of network devices (RFC 2544).
func NewSplit(t testing.TB) *Split {
	t.Helper()
	s := &Split{t: t}
	base := fmt.Sprintf("ph%d", os.Getpid()%100000)
	s.lan = s.namespace(base + "lan")
	s.ip("-n", s.lan, "link", "add", "switch", "type", "bridge")
	s.ip("-n", s.lan, "link", "set", "switch", "up")
	third := os.Getpid() % 100
	for i := range s.Sites {
		site := &Site{
			name: s.namespace(fmt.Sprint(base, "site", i)),
			Addr: fmt.Sprintf("198.19.%d.%d", third, i+1),
			Here: fmt.Sprintf("198.19.%d.%d", third+100, 4*i+2),
			Home: fmt.Sprintf("198.19.%d.%d", third+100, 4*i+1),
		}
		s.Sites[i], s.ports[i] = site, fmt.Sprint("port", i)
		s.ip("-n", site.name, "link", "set", "lo", "up")
		s.ip("link", "add", "lan", "netns", site.name, "type", "veth", "peer", "name", s.ports[i], "netns", s.lan)
		s.ip("-n", site.name, "addr", "add", site.Addr+"/24", "dev", "lan")
		s.ip("-n", site.name, "link", "set", "lan", "up")
		s.ip("-n", s.lan, "link", "set", s.ports[i], "up")
		near := fmt.Sprint(base, "h", i)
		s.ip("link", "add", near, "type", "veth", "peer", "name", "home", "netns", site.name)
		s.ip("addr", "add", site.Home+"/30", "dev", near)
		s.ip("link", "set", near, "up")
		s.ip("-n", site.name, "addr", "add", site.Here+"/30", "dev", "home")
		s.ip("-n", site.name, "link", "set", "home", "up")
	}
	s.Mend()
	return s
}

func (s *Split) namespace(name string) string {
	s.t.Helper()
	if out, err := exec.Command("ip", "netns", "add", name).CombinedOutput(); err != nil {
		s.t.Skipf("network namespaces are not allowed here, so no network is split: %v: %s", err, out)
	}
	s.t.Cleanup(func() { _ = exec.Command("ip", "netns", "del", name).Run() }) // takes its cables along
	if out, err := exec.Command("ip", "netns", "exec", name, "true").CombinedOutput(); err != nil {
		s.t.Skipf("network namespaces cannot be entered here, so no network is split: %v: %s", err, out)
	}
	return name
}

func (s *Split) ip(args ...string) {
	s.t.Helper()
	if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
		s.t.Fatalf("ip %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// Cut has the switch drop all between the sites.
func (s *Split) Cut() { s.ip("-n", s.lan, "link", "set", s.ports[1], "nomaster") }

// Mend has it forward again.
func (s *Split) Mend() {
	for _, port := range s.ports {
		s.ip("-n", s.lan, "link", "set", port, "master", "switch")
	}
}

// Within is what a program is started with so that it runs at a site.
func (s *Site) Within() []string { return []string{"ip", "netns", "exec", s.name} }

// StartSplit starts three members: the first at the first site, two at the other.
// Their Endpoints are as the sites see them.
func StartSplit(t testing.TB, s *Split) *Cluster {
	t.Helper()
	c := &Cluster{t: t, program: program(t)}
	for i, site := range []*Site{s.Sites[0], s.Sites[1], s.Sites[1]} {
		m := &member{
			name: fmt.Sprint("m", i), dir: t.TempDir(), within: site.Within(),
			client: net.JoinHostPort(site.Addr, fmt.Sprint(2379+10*i)), peer: net.JoinHostPort(site.Addr, fmt.Sprint(2380+10*i)),
			seen: net.JoinHostPort(site.Here, fmt.Sprint(2379+10*i)),
		}
		c.members = append(c.members, m)
		c.Endpoints = append(c.Endpoints, m.client)
	}
	c.begin()
	return c
}
