package broker

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// fakeConn reads from r.
type fakeConn struct {
	net.Conn
	r io.Reader
}

func (c fakeConn) Read(p []byte) (int, error) { return c.r.Read(p) }

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
		{io.ErrUnexpectedEOF, time.Second, false}, // a bad line
		{io.EOF, time.Second, false},
	} {
		err := s.lost(c.err, c.lasted)
		if told := strings.Contains(err.Error(), s.opts.ClientID); told != c.told || !errors.Is(err, c.err) {
			t.Errorf("%d: %v", i, err)
		}
	}
}
