package main

import (
	"context"
	"io"
	"net"
	"sync"
)

// wire is a TCP proxy between two gateways that can be cut and mended.
type wire struct {
	listener net.Listener
	to       string
	work     sync.WaitGroup

	mu   sync.Mutex
	cut  bool
	ends map[net.Conn]bool
}

// layWire makes a wire to an address; it ends with ctx.
func layWire(ctx context.Context, to string) (*wire, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	w := &wire{listener: l, to: to, ends: map[net.Conn]bool{}}
	context.AfterFunc(ctx, func() { l.Close(); w.setCut(true) })
	w.work.Go(w.serve)
	return w, nil
}

func (w *wire) address() string { return w.listener.Addr().String() }

func (w *wire) wait() { w.work.Wait() }

func (w *wire) serve() {
	for {
		near, err := w.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", w.to)
		if err != nil {
			near.Close()
			continue
		}
		if w.hold(near, far) {
			w.work.Go(func() { w.carry(near, far) })
			w.work.Go(func() { w.carry(far, near) })
		}
	}
}

// hold remembers both ends of a connection, unless the wire is cut.
func (w *wire) hold(near, far net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cut {
		near.Close()
		far.Close()
		return false
	}
	w.ends[near], w.ends[far] = true, true
	return true
}

func (w *wire) carry(from, to net.Conn) {
	io.Copy(to, from) // ends when either side does
	from.Close()
	to.Close()
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.ends, from)
}

// setCut cuts the wire or mends it.
func (w *wire) setCut(cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = cut
	for c := range w.ends {
		if cut {
			c.Close()
		}
	}
}
