package brokertest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
)

// Wire is a network namespace for a broker, with a cable to each of its clients
// that the test can pull.
type Wire struct {
	t     testing.TB
	name  string
	net   int // third byte of the cables' addresses
	cable int
}

var namespaces atomic.Int32

// NewWire makes a namespace, or skips the test where that is not allowed.
func NewWire(t testing.TB) *Wire {
	t.Helper()
	w := &Wire{t: t, net: int(namespaces.Add(1))%100 + 100*(os.Getpid()%2)}
	w.name = fmt.Sprintf("posthouse-%d-%d", os.Getpid(), w.net)
	ip := Program(t, "ip")
	if out, err := exec.Command(ip, "netns", "add", w.name).CombinedOutput(); err != nil {
		t.Skipf("network namespaces are not allowed here, so no wire is cut: %s", out)
	}
	t.Cleanup(func() { _ = exec.Command(ip, "netns", "del", w.name).Run() }) // takes its ends of the cables along
	// In a chroot one can be made, and not entered: / is no mount point there.
	if out, err := exec.Command(ip, "netns", "exec", w.name, "true").CombinedOutput(); err != nil {
		t.Skipf("network namespaces cannot be entered here, so no wire is cut: %s", out)
	}
	w.ip("-n", w.name, "link", "set", "lo", "up")
	return w
}

func (w *Wire) ip(args ...string) {
	w.t.Helper()
	if out, err := exec.Command(Program(w.t, "ip"), args...).CombinedOutput(); err != nil {
		w.t.Fatalf("ip %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// Cable lays a cable; its near end is this machine's. The addresses are those
// for tests of network devices (RFC 2544, 198.18.0.0/15).
func (w *Wire) Cable() *Cable {
	w.t.Helper()
	w.cable++
	n := strconv.Itoa(w.cable)
	c := &Cable{wire: w, near: fmt.Sprintf("ph%d-%d-%s", os.Getpid()%100000, w.net, n)}
	first := 4 * w.cable
	c.Host = fmt.Sprintf("198.18.%d.%d", w.net, first+2)
	w.ip("link", "add", c.near, "type", "veth", "peer", "name", "far"+n, "netns", w.name)
	w.t.Cleanup(func() { _ = exec.Command(Program(w.t, "ip"), "link", "del", c.near).Run() }) // gone with the namespace, else
	w.ip("addr", "add", fmt.Sprintf("198.18.%d.%d/30", w.net, first+1), "dev", c.near)
	w.ip("-n", w.name, "addr", "add", c.Host+"/30", "dev", "far"+n)
	w.ip("-n", w.name, "link", "set", "far"+n, "up")
	c.Mend()
	return c
}

// Mosquitto starts a broker at the far end of the cables; the first one is how
// the test itself sees it.
func (w *Wire) Mosquitto(first *Cable, conf ...string) *Broker {
	w.t.Helper()
	const port = "1883"
	b := &Broker{t: w.t, dir: w.t.TempDir(), path: Program(w.t, "mosquitto"), wire: w, Addr: net.JoinHostPort(first.Host, port)}
	return start(b, conf)
}

func (w *Wire) command(args ...string) *exec.Cmd {
	return exec.Command(Program(w.t, "ip"), append([]string{"netns", "exec", w.name}, args...)...)
}

// Cable is one cable to a broker.
type Cable struct {
	Host string // the broker's address at the end of this cable

	wire *Wire
	near string
}

// Cut pulls the cable: nothing comes through, and nobody is told.
func (c *Cable) Cut() { c.wire.ip("link", "set", c.near, "down") }

// Mend puts it back.
func (c *Cable) Mend() { c.wire.ip("link", "set", c.near, "up") }
