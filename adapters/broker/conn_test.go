package broker

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"posthouse/adapters/adaptertest"
)

// fakeConn reads from r.
type fakeConn struct {
	net.Conn
	r io.Reader
}

func (c fakeConn) Read(p []byte) (int, error) { return c.r.Read(p) }

// deadConn cannot be written to, and is silent until it is closed.
type deadConn struct {
	net.Conn
	closed chan struct{}
}

func (c deadConn) SetWriteDeadline(time.Time) error { return nil }
func (c deadConn) Write([]byte) (int, error)        { return 0, syscall.EPIPE }
func (c deadConn) Close() error                     { close(c.closed); return nil }
func (c deadConn) Read([]byte) (int, error)         { <-c.closed; return 0, net.ErrClosed }

// The library ends a connection over what it reads, and not over net.ErrClosed.
func TestWhoReadsIsToldOfAFailedWrite(t *testing.T) {
	c := &patientConn{Conn: deadConn{closed: make(chan struct{})}}
	read := make(chan error)
	go func() {
		_, err := c.Read(make([]byte, 1))
		read <- err
	}()
	if err := packets.NewControlPacket(packets.Pingreq).Write(c); !errors.Is(err, syscall.EPIPE) {
		t.Fatal(err)
	}
	if err := <-read; !errors.Is(err, syscall.EPIPE) {
		t.Errorf("whoever reads is told %v", err)
	}
}

func publishOf(topic string, size int) *packets.PublishPacket {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.MessageID, p.TopicName, p.Payload = 1, 7, topic, bytes.Repeat([]byte("x"), size)
	return p
}

func TestCutting(t *testing.T) {
	topics := []string{"t", strings.Repeat("t", 65535)}
	sizes := []int{0, 1, 100, 127, 128, 16383, 16384, MaxPayload, MaxPayload + 1, largestPacket, largestPacket + 1, 1 << 21, 5 << 20}
	var wire bytes.Buffer
	for _, topic := range topics {
		for _, size := range sizes {
			if err := publishOf(topic, size).Write(&wire); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := packets.NewControlPacket(packets.Pingresp).Write(&wire); err != nil {
		t.Fatal(err)
	}
	for name, r := range map[string]io.Reader{
		"in one piece": bytes.NewReader(wire.Bytes()), "by halves": iotest.HalfReader(bytes.NewReader(wire.Bytes())),
	} {
		t.Run(name, func(t *testing.T) {
			c := cutting(fakeConn{r: r}, func() {})
			for _, topic := range topics {
				for _, size := range sizes {
					got, err := packets.ReadPacket(c)
					if err != nil {
						t.Fatal(err)
					}
					p := got.(*packets.PublishPacket)
					if p.TopicName != topic || p.MessageID != 7 || len(p.Payload) > largestPacket {
						t.Fatalf("read %d bytes of payload on a topic of %d", len(p.Payload), len(p.TopicName))
					}
					if size <= MaxPayload && len(p.Payload) != size || size > MaxPayload && len(p.Payload) <= MaxPayload {
						t.Errorf("a payload of %d bytes became %d", size, len(p.Payload))
					}
				}
			}
			if p, err := packets.ReadPacket(c); err != nil || p.(*packets.PingrespPacket) == nil {
				t.Errorf("the packet behind them: %v, %v", p, err)
			}
			if _, err := c.Read(make([]byte, 1)); err != io.EOF {
				t.Errorf("at the end: %v, want io.EOF", err)
			}
		})
	}
}

// The law: a stream without a large packet passes unchanged, however it is read.
func FuzzCutting(f *testing.F) {
	f.Add([]byte("\x32\x05\x00\x01t\x00\x07\xd0\x00"), uint64(1))
	f.Add([]byte("\x32\xff\xff\xff\xff\x7f"), uint64(2))
	f.Add([]byte("\x32\x80\x80\x80\x00\x80\x00"), uint64(3))
	f.Fuzz(func(t *testing.T, wire []byte, seed uint64) {
		c := cutting(fakeConn{r: bytes.NewReader(wire)}, func() {})
		rnd := rand.New(rand.NewPCG(seed, 0))
		var got []byte
		for {
			p := make([]byte, 1+rnd.IntN(64))
			n, err := c.Read(p)
			got = append(got, p[:n]...)
			if err != nil {
				break
			}
		}
		if len(got) > len(wire) {
			t.Fatalf("%d bytes became %d", len(wire), len(got))
		}
		if canonicalLengths(wire) && !bytes.HasPrefix(wire, got) {
			t.Fatalf("%x became %x", wire, got)
		}
	})
}

// canonicalLengths tells whether each packet's length is written in as few bytes
// as possible, and small.
func canonicalLengths(wire []byte) bool {
	for len(wire) > 1 {
		length, i := 0, 1
		for ; ; i++ {
			if i > 4 || i >= len(wire) {
				return i < 5
			}
			length |= int(wire[i]&0x7f) << (7 * (i - 1))
			if wire[i] < 0x80 {
				break
			}
		}
		if i > 1 && wire[i] == 0 || length > largestPacket {
			return false
		}
		wire = wire[min(len(wire), i+1+length):]
	}
	return true
}

// Two programs with one client id end each other's connections for ever, and the
// operator of either sees only that his is lost.
func TestConnectionsThatEndSoonEachTime(t *testing.T) {
	s := newSession(sessionOptions{ClientID: "posthouse-N0QRA-10-far"})
	for i, c := range []struct {
		err    error
		lasted time.Duration
		told   bool
	}{
		{io.EOF, time.Second, false},
		{io.EOF, time.Second, false},
		{io.EOF, time.Second, true},
		{io.EOF, steady, true},
		{io.EOF, time.Hour, false}, // a broker that was restarted
		{io.EOF, time.Second, false},
		{io.EOF, time.Second, false},
		{syscall.ECONNRESET, time.Second, true},   // something of ours was on its way
		{io.ErrUnexpectedEOF, time.Second, false}, // a bad line
		{io.EOF, time.Second, false},
	} {
		err := s.lost(c.err, c.lasted)
		if told := strings.Contains(err.Error(), s.opts.ClientID); told != c.told || !errors.Is(err, c.err) {
			t.Errorf("%d: %v", i, err)
		}
	}
}

// A broker's answer to a subscription is checked before the library sees it: with a
// code too many it panics where nobody can recover.
func TestBrokerThatAnswersASubscriptionWrongly(t *testing.T) {
	for name, c := range map[string]struct {
		id    func(uint16) uint16
		codes []byte
		up    bool
	}{
		"one code":   {func(id uint16) uint16 { return id }, []byte{1}, true},
		"three":      {func(id uint16) uint16 { return id }, []byte{1, 1, 1}, false},
		"none":       {func(id uint16) uint16 { return id }, nil, false},
		"of another": {func(id uint16) uint16 { return id + 1 }, []byte{1}, false},
	} {
		t.Run(name, func(t *testing.T) {
			addr := oddBroker(t, func(conn net.Conn, p packets.ControlPacket) bool {
				sub, is := p.(*packets.SubscribePacket)
				if !is {
					return asUsual(conn, p)
				}
				a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
				a.MessageID, a.ReturnCodes = c.id(sub.MessageID), c.codes
				return a.Write(conn) == nil
			})
			host := &adaptertest.Host{}
			r := run(t, newMesh(t, MeshOptions{BrokerURL: "tcp://" + addr}), host)
			r.await(t, "what became of it", func() bool {
				s := host.States()
				return len(s) > 0 && (s[len(s)-1].Up == c.up) && (c.up || strings.Contains(s[len(s)-1].Why, errSuback.Error()))
			})
		})
	}
}

func TestSubscriptionsAreCounted(t *testing.T) {
	for n := 1; n < 300; n += 37 {
		p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
		p.MessageID = uint16(n)
		for i := range n {
			p.Topics, p.Qoss = append(p.Topics, strings.Repeat("t", i)), append(p.Qoss, 1)
		}
		var b bytes.Buffer
		p.Write(&b)
		if id, filters, ok := subscribing(b.Bytes()); !ok || id != p.MessageID || filters != n {
			t.Errorf("%d filters under id %d: got %d under %d, %v", n, n, filters, id, ok)
		}
	}
}
