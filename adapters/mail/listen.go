package mail

import (
	"errors"
	"io"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/net/netutil"
)

// limited is a listener that bounds the connections in all, of strangers and per
// client, and can ask all of them to end: go-smtp has no such limit, and its
// Close does nothing once Shutdown has begun.
type limited struct {
	net.Listener
	relay func(netip.Addr) bool

	mu       sync.Mutex
	open     map[*served]netip.Addr
	stopping bool
}

func limit(l net.Listener, relay func(netip.Addr) bool) *limited {
	return &limited{Listener: netutil.LimitListener(l, maxConnections), relay: relay, open: map[*served]netip.Addr{}}
}

// Accept gives the next connection. A client that has too many already is told
// to come later (RFC 5321 section 3.8: 421).
func (l *limited) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if c := l.add(conn); c != nil {
			return c, nil
		}
		conn.SetWriteDeadline(time.Now().Add(time.Second))
		conn.Write([]byte("421 4.7.0 too many connections, come back later\r\n"))
		conn.Close()
	}
}

func (l *limited) add(conn net.Conn) *served {
	client := addressOf(conn)
	l.mu.Lock()
	defer l.mu.Unlock()
	have, strangers := 0, 0
	for _, other := range l.open {
		if other == client {
			have++
		}
		if !l.relay(other) {
			strangers++
		}
	}
	if !l.relay(client) && (have >= maxPerClient || strangers >= maxStrangers) {
		return nil
	}
	c := &served{Conn: conn, from: l}
	c.ending.Store(l.stopping)
	l.open[c] = client
	return c
}

// drain lets each connection finish what it does and take no further command.
func (l *limited) drain() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.stopping = true
	for c := range l.open {
		c.ending.Store(true)
		c.Conn.SetReadDeadline(time.Unix(1, 0))
	}
}

// cut closes what is still open.
func (l *limited) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.open {
		c.Conn.Close()
	}
}

// served is one connection of a limited listener.
type served struct {
	net.Conn
	from   *limited
	ending atomic.Bool
	ended  atomic.Bool // by the client: nothing more comes
}

func (c *served) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if errors.Is(err, io.EOF) {
		c.ended.Store(true)
	}
	return n, err
}

// SetReadDeadline keeps a connection that has to end from waiting again.
func (c *served) SetReadDeadline(t time.Time) error {
	err := c.Conn.SetReadDeadline(t)
	if c.ending.Load() {
		err = c.Conn.SetReadDeadline(time.Unix(1, 0))
	}
	return err
}

func (c *served) Close() error {
	c.from.mu.Lock()
	delete(c.from.open, c)
	c.from.mu.Unlock()
	return c.Conn.Close()
}

// addressOf gives a connection's far address; the zero Addr if it has none.
func addressOf(conn net.Conn) netip.Addr {
	ap, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap().WithZone("")
}
