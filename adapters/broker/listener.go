package broker

import (
	"errors"
	"log/slog"
	"net"
	"runtime/debug"
	"sync"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// connectLimit is how long a client may take to send CONNECT.
const connectLimit = 10 * time.Second

// listener passes connections to the built-in broker. Unlike the library's own it limits
// their number before CONNECT and the time for CONNECT, owns the goroutines, and recovers
// if a packet makes the library panic.
type listener struct {
	net.Listener
	log  *slog.Logger
	most int // connections at once

	mu     sync.Mutex
	open   map[net.Conn]bool
	closed bool
	served sync.WaitGroup
}

// Init, ID, Address and Protocol implement listeners.Listener.
func (l *listener) Init(*slog.Logger) error { return nil }

// ID names the listener.
func (l *listener) ID() string { return "mqtt" }

// Address is where it listens.
func (l *listener) Address() string { return l.Addr().String() }

// Protocol is always TCP.
func (l *listener) Protocol() string { return "tcp" }

// Serve takes connections until Close.
func (l *listener) Serve(establish listeners.EstablishFn) {
	for {
		conn, err := l.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil:
			time.Sleep(100 * time.Millisecond) // out of file descriptors, until others close
		case !l.add(conn):
			_ = conn.Close()
		default:
			go l.serve(conn, establish)
		}
	}
}

func (l *listener) add(conn net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed || len(l.open) >= l.most {
		return false
	}
	l.open[conn] = true
	l.served.Add(1)
	return true
}

func (l *listener) serve(conn net.Conn, establish listeners.EstablishFn) {
	defer l.served.Done()
	defer l.remove(conn)
	defer func() {
		if p := recover(); p != nil {
			l.log.Error("a packet made the built-in broker fail, its client was disconnected", "err", p, "stack", string(debug.Stack()))
		}
	}()
	if err := conn.SetReadDeadline(time.Now().Add(connectLimit)); err != nil {
		return
	}
	_ = establish(l.ID(), &patientConn{Conn: conn}) // its error says how the connection ended, OnDisconnect has it too
}

func (l *listener) remove(conn net.Conn) {
	_ = conn.Close()
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open, conn)
}

// Close ends all connections and returns when nothing serves one any more.
func (l *listener) Close(listeners.CloseFn) {
	l.mu.Lock()
	l.closed = true
	_ = l.Listener.Close()
	for conn := range l.open {
		_ = conn.Close()
	}
	l.mu.Unlock()
	l.served.Wait()
}
