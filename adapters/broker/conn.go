package broker

import (
	"bufio"
	"net"
	"time"
)

// patientConn is a connection on which no write waits longer than writeWait, so
// that a peer that stops reading blocks nobody for good. A write that failed ends
// the connection, as half a packet may be on its way. Other deadlines are for
// reading.
type patientConn struct{ net.Conn }

func (c patientConn) Write(b []byte) (int, error) {
	if err := c.Conn.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(b)
	if err != nil {
		_ = c.Conn.Close()
	}
	return n, err
}

func (c patientConn) SetDeadline(t time.Time) error    { return c.Conn.SetReadDeadline(t) }
func (c patientConn) SetWriteDeadline(time.Time) error { return nil }

// largestPacket is what a packet is cut to: a cut publish still has a payload
// above MaxPayload, whatever the length of its topic (65,535 bytes at most).
const largestPacket = 2 + 65535 + 2 + MaxPayload + 1

// cuttingConn shortens each MQTT packet that comes in to largestPacket. The
// client library allocates what a packet claims, up to 256 MiB, and a packet
// that is not confirmed comes again for ever; cut, it is read, counted as too
// large and confirmed like any other.
type cuttingConn struct {
	net.Conn
	r    *bufio.Reader
	head []byte // of the present packet, not yet handed on
	keep int    // bytes of its body to hand on
	skip int    // bytes behind these to throw away
	easy func() // called before each packet; returns when it may be read
}

func cutting(c net.Conn, easy func()) *cuttingConn {
	return &cuttingConn{Conn: c, r: bufio.NewReader(c), easy: easy}
}

func (c *cuttingConn) Read(p []byte) (int, error) {
	for len(c.head) == 0 && c.keep == 0 {
		if err := c.next(); err != nil {
			return 0, err
		}
	}
	if len(c.head) > 0 {
		n := copy(p, c.head)
		c.head = c.head[n:]
		return n, nil
	}
	n, err := c.r.Read(p[:min(len(p), c.keep)])
	c.keep -= n
	return n, err
}

// next goes to the next packet and reads its fixed header (section 2.2): type
// and flags, then the remaining length in one to four bytes of seven bits each.
func (c *cuttingConn) next() error {
	c.easy()
	for c.skip > 0 {
		n, err := c.r.Discard(c.skip)
		c.skip -= n
		if err != nil {
			return err
		}
	}
	kind, err := c.r.ReadByte()
	if err != nil {
		return err
	}
	length := 0
	for shift := 0; shift < 28; shift += 7 {
		b, err := c.r.ReadByte()
		if err != nil {
			return err
		}
		length |= int(b&0x7f) << shift
		if b < 0x80 {
			break
		}
	}
	c.keep = min(length, largestPacket)
	c.skip = length - c.keep
	c.head = append(c.head[:0], kind)
	for n := c.keep; ; n >>= 7 {
		if n < 0x80 {
			c.head = append(c.head, byte(n))
			return nil
		}
		c.head = append(c.head, byte(n)|0x80)
	}
}
