//go:build hub

package etcdtest

import (
	"io"
	"net"
	"sync"
)

// Wire stands between a client and a member, and can be cut.
type Wire struct {
	Addr string // host:port for the client

	listener net.Listener
	to       string
	running  sync.WaitGroup

	mu    sync.Mutex
	cut   bool
	ended bool
	conns map[net.Conn]bool
	mends chan struct{} // closed when the wire is whole
}

// Wires puts a wire in front of each member. They end with the test.
func (c *Cluster) Wires() (all []*Wire) {
	c.t.Helper()
	for _, to := range c.Endpoints {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			c.t.Fatal(err)
		}
		w := &Wire{Addr: l.Addr().String(), listener: l, to: to, conns: map[net.Conn]bool{}, mends: make(chan struct{})}
		close(w.mends)
		w.running.Go(w.serve)
		c.t.Cleanup(w.end)
		all = append(all, w)
	}
	return all
}

// Cut swallows all that is sent from now on, in both directions: nobody is told.
func (w *Wire) Cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.cut {
		w.cut, w.mends = true, make(chan struct{})
	}
}

// Mend breaks the connections of before, and lets new ones through.
func (w *Wire) Mend() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cut {
		w.cut = false
		close(w.mends)
		w.dropAll()
	}
}

func (w *Wire) dropAll() {
	for c := range w.conns {
		c.Close()
	}
}

func (w *Wire) end() {
	w.mu.Lock()
	w.ended = true
	if w.cut {
		w.cut = false
		close(w.mends)
	}
	w.listener.Close()
	w.dropAll()
	w.mu.Unlock()
	w.running.Wait()
}

func (w *Wire) serve() {
	for {
		in, err := w.listener.Accept()
		if err != nil {
			return
		}
		w.running.Go(func() { w.join(in) })
	}
}

func (w *Wire) join(in net.Conn) {
	defer in.Close()
	out, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer out.Close()
	if !w.keep(in, out) {
		return
	}
	var both sync.WaitGroup
	both.Go(func() { w.pass(out, in) })
	both.Go(func() { w.pass(in, out) })
	both.Wait()
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.conns, in)
	delete(w.conns, out)
}

func (w *Wire) keep(conns ...net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range conns {
		w.conns[c] = true
	}
	return !w.ended
}

// pass copies until either end closes; while the wire is cut it holds what it read
// last, which is lost when the wire is mended, since the connection breaks then.
func (w *Wire) pass(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		w.mu.Lock()
		cut, mends := w.cut, w.mends
		w.mu.Unlock()
		if cut {
			<-mends
			return
		}
		if _, err := to.Write(buf[:n]); err != nil && err != io.EOF {
			return
		}
	}
}
