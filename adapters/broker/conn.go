package broker

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// patientConn is a connection on which no write waits longer than writeWait, so that a
// peer that stops reading blocks nobody for good. A failed write ends the connection,
// since half a packet may have been sent, and whoever reads is told of it: the client
// library takes no notice of a PINGREQ that fails, nor of a connection that somebody has
// closed. Deadlines that are set count for reading only.
type patientConn struct {
	net.Conn
	failed atomic.Pointer[error] // the first write that failed
}

func (c *patientConn) Write(b []byte) (int, error) {
	if err := c.Conn.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return 0, err
	}
	n, err := c.Conn.Write(b)
	if err != nil {
		c.failed.CompareAndSwap(nil, &err)
		_ = c.Conn.Close()
	}
	return n, err
}

func (c *patientConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if failed := c.failed.Load(); err != nil && failed != nil {
		err = *failed
	}
	return n, err
}

func (c *patientConn) SetDeadline(t time.Time) error    { return c.Conn.SetReadDeadline(t) }
func (c *patientConn) SetWriteDeadline(time.Time) error { return nil }

// largestPacket is what a packet is cut to: a cut publish still has a payload
// above MaxPayload, whatever the length of its topic (65,535 bytes at most).
const largestPacket = 2 + 65535 + 2 + MaxPayload + 1

// cuttingConn cuts each incoming MQTT packet to largestPacket. The client library
// allocates whatever length a packet claims, up to 256 MiB, and a packet that is not
// confirmed would come again for ever; a cut one is counted as too large and confirmed.
type cuttingConn struct {
	net.Conn
	r    *bufio.Reader
	head []byte // of the present packet, not yet passed on
	keep int    // bytes of its body to pass on
	skip int    // bytes after these to throw away
	easy func() // called before each packet; returns when it may be read

	mu    sync.Mutex
	asked map[uint16]int // filters in each SUBSCRIBE that was not answered
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
	switch kind >> 4 {
	case packets.Suback:
		err = c.checkSuback(length)
	case packets.Connack:
		err = c.checkConnack()
	}
	if err != nil {
		return err
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

// checkConnack ends a connection that was refused with a code that the client library
// takes for success: it knows only those of MQTT 3.1.1 (section 3.2.2.3).
func (c *cuttingConn) checkConnack() error {
	b, err := c.r.Peek(2)
	if err != nil || b[1] <= packets.ErrRefusedNotAuthorised {
		return err
	}
	if known, ok := refusals[b[1]]; ok {
		return known
	}
	return fmt.Errorf("it answers CONNECT with code %#02x", b[1])
}

// refusals are the reasons of MQTT 5 (section 3.2.2.2) that MQTT 3.1.1 also has.
var refusals = map[byte]error{
	0x84: packets.ErrorRefusedBadProtocolVersion,
	0x85: packets.ErrorRefusedIDRejected,
	0x86: packets.ErrorRefusedBadUsernameOrPassword,
	0x87: packets.ErrorRefusedNotAuthorised,
	0x88: packets.ErrorRefusedServerUnavailable,
}

var errSuback = errors.New("the broker answers a subscription with another number of codes than it has filters")

// checkSuback refuses a SUBACK that has not one code for each filter (section 3.9.3).
// With more codes the client library panics, in a goroutine of its own, which ends the
// daemon; with fewer a filter would count as granted.
func (c *cuttingConn) checkSuback(length int) error {
	id, err := c.r.Peek(2)
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	n := binary.BigEndian.Uint16(id)
	filters, ok := c.asked[n]
	delete(c.asked, n)
	if !ok || length != 2+filters {
		return errSuback
	}
	return nil
}

// Write notes the subscriptions that are asked for. The library writes each packet in
// one go.
func (c *cuttingConn) Write(b []byte) (int, error) {
	if id, filters, ok := subscribing(b); ok {
		c.mu.Lock()
		if c.asked == nil {
			c.asked = map[uint16]int{}
		}
		c.asked[id] = filters
		c.mu.Unlock()
	}
	return c.Conn.Write(b)
}

// subscribing reads the id of a SUBSCRIBE and counts its filters (section 3.8).
func subscribing(b []byte) (id uint16, filters int, ok bool) {
	if len(b) == 0 || b[0]>>4 != packets.Subscribe {
		return 0, 0, false
	}
	b = b[1:]
	for len(b) > 0 && b[0] >= 0x80 { // the remaining length
		b = b[1:]
	}
	if len(b) < 3 {
		return 0, 0, false
	}
	id, b = binary.BigEndian.Uint16(b[1:]), b[3:]
	for len(b) > 2 {
		b = b[min(len(b), 2+int(binary.BigEndian.Uint16(b))+1):]
		filters++
	}
	return id, filters, true
}
