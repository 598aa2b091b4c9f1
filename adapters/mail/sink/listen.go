package sink

import (
	"net"
	"sync"
)

// open is a listener that ends its connections itself: the SMTP library's Close looks at
// one while it may be changing to TLS, which is a race.
type open struct {
	net.Listener
	mu    sync.Mutex
	conns map[*conn]struct{} // nil: it has ended
}

type conn struct {
	net.Conn
	of *open
}

func (o *open) Accept() (net.Conn, error) {
	c, err := o.Listener.Accept()
	if err != nil {
		return nil, err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.conns == nil {
		c.Close()
		return nil, net.ErrClosed
	}
	mine := &conn{c, o}
	o.conns[mine] = struct{}{}
	return mine, nil
}

// end closes the listener and all connections.
func (o *open) end() {
	o.Listener.Close()
	o.mu.Lock()
	defer o.mu.Unlock()
	for c := range o.conns {
		c.Conn.Close()
	}
	o.conns = nil
}

func (c *conn) Close() error {
	c.of.mu.Lock()
	delete(c.of.conns, c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}
