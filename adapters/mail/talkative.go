package mail

import (
	"errors"
	"net"
	"sync/atomic"
)

// maxAnswer is how much a smarthost may say before it is spoken to again, in
// bytes on the wire: a greeting, certificates, what it can do.
const maxAnswer = 256 << 10

var errTalksOn = errors.New("its answer has no end")

// talker bounds what a server may say at once. The SMTP client bounds a line,
// but gathers the lines of an answer for as long as they come.
type talker struct {
	net.Conn
	left atomic.Int64
}

func bounded(conn net.Conn) *talker {
	c := &talker{Conn: conn}
	c.left.Store(maxAnswer)
	return c
}

func (c *talker) Read(b []byte) (int, error) {
	if c.left.Load() <= 0 {
		return 0, errTalksOn
	}
	n, err := c.Conn.Read(b)
	c.left.Add(-int64(n))
	return n, err
}

func (c *talker) Write(b []byte) (int, error) {
	c.left.Store(maxAnswer)
	return c.Conn.Write(b)
}
