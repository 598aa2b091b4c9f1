package broker

import (
	"context"
	"errors"
	"net"
	"net/url"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"posthouse/adapters/adaptertest"
	"posthouse/bridge/link"
)

// oddBroker calls answer for each packet that a client sends; false hangs up.
func oddBroker(t *testing.T, answer func(net.Conn, packets.ControlPacket) bool) (addr string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			serving.Go(func() {
				defer conn.Close()
				for {
					p, err := packets.ReadPacket(conn)
					if err != nil || !answer(conn, p) {
						return
					}
				}
			})
		}
	})
	t.Cleanup(func() { l.Close(); serving.Wait() })
	return l.Addr().String()
}

// asUsual answers as brokers do.
func asUsual(conn net.Conn, p packets.ControlPacket) bool {
	answer := []byte{}
	switch p := p.(type) {
	case *packets.ConnectPacket:
		answer = []byte{packets.Connack << 4, 2, 0, 0}
	case *packets.SubscribePacket:
		answer = []byte{packets.Suback << 4, byte(2 + len(p.Topics)), byte(p.MessageID >> 8), byte(p.MessageID)}
		for range p.Topics {
			answer = append(answer, 1)
		}
	case *packets.PublishPacket:
		answer = []byte{packets.Puback << 4, 2, byte(p.MessageID >> 8), byte(p.MessageID)}
	}
	_, err := conn.Write(answer)
	return err == nil
}

func onOddBroker(t *testing.T, answer func(net.Conn, packets.ControlPacket) bool) *rig {
	r := run(t, newMesh(t, MeshOptions{BrokerURL: "tcp://" + oddBroker(t, answer)}), &adaptertest.Host{})
	r.await(t, "the link is up", r.Up)
	return r
}

// A broker that goes away over one frame, as one that crashes over it, would get it with
// each connection, up to a day long, and nobody else anything.
func TestAFrameOverWhichTheBrokerGoesAwayCountsAsATry(t *testing.T) {
	r := onOddBroker(t, func(conn net.Conn, p packets.ControlPacket) bool {
		_, over := p.(*packets.PublishPacket)
		return !over && asUsual(conn, p)
	})
	err := r.send(t, text("hello"), "1")
	if _, final := errors.AsType[*link.PermanentError](err); err == nil || errors.Is(err, link.ErrDown) || final {
		t.Errorf("Send gave %v, want a temporary error", err)
	}
}

// grow makes what is under way so old that its PUBACK will not come; false: nothing is.
func (f *flights) grow() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for key, t := range f.open {
		t.since = t.since.Add(-pubackIn)
		f.open[key] = t
	}
	return len(f.open) > 0
}

// A PUBACK that got lost never comes, and nothing is published twice on one connection.
func TestAMissingPubackEndsTheConnection(t *testing.T) {
	published, lose := make(chan bool, 16), make(chan bool, 1)
	lose <- true
	r := onOddBroker(t, func(conn net.Conn, p packets.ControlPacket) bool {
		if _, is := p.(*packets.PublishPacket); is {
			published <- true
			select {
			case <-lose:
				return true
			default:
			}
		}
		return asUsual(conn, p)
	})
	ctx, cancel := context.WithCancel(t.Context())
	go func() { <-published; cancel() }()
	frames := []link.Frame{{Message: text("hello"), Text: "hello", ID: "1", Part: 1, Parts: 1, Attempt: 1}}
	if err := r.mesh.Send(ctx, frames)[0]; !errors.Is(err, context.Canceled) {
		t.Fatalf("without a PUBACK: %v", err)
	}
	r.mesh.transport.(*session).conn.flights.grow()
	if err := r.mesh.Send(ctx, frames)[0]; !errors.Is(err, context.Canceled) {
		t.Fatalf("without a PUBACK: %v", err)
	}
	r.await(t, "the connection ends", func() bool { return len(r.States()) > 1 })
	if why := r.States()[1].Why; why != errOwing.Error() {
		t.Errorf("it ends with %q", why)
	}
	r.await(t, "the link is up again", r.Up)
	if err := r.send(t, text("hello"), "1"); err != nil {
		t.Errorf("on the next connection: %v", err)
	}
}

func TestASubscriberThatDoesNotConfirmIsDismissed(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	c := dialRaw(t, r.mesh, 0)
	c.subscribe("valley/to", 1, 1)
	sent := r.sendAside(t, "hello")
	c.takes("hello")
	eventually(t, "it waits for the PUBACK", r.mesh.transport.(*server).live.flights.grow)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r.mesh.Send(ctx, []link.Frame{{Message: text("hello"), Text: "hello", Part: 1, Parts: 1, Attempt: 1}})
	c.gone()
	if err := result(t, sent); !errors.Is(err, errGone) {
		t.Errorf("Send gave %v, want %v", err, errGone)
	}
}

// Else what was asked for would never come until the next connection.
func TestASubscriptionWithoutAnswerEndsTheConnection(t *testing.T) {
	t.Parallel() // it takes subscribeWait
	addr := oddBroker(t, func(conn net.Conn, p packets.ControlPacket) bool {
		if s, is := p.(*packets.SubscribePacket); is && s.Topics[0] == "root/heard/x" {
			return true
		}
		return asUsual(conn, p)
	})
	s := newSession(sessionOptions{URLs: []*url.URL{{Scheme: "tcp", Host: addr}}, ClientID: "a", Topics: []string{"root/in/a"}})
	ctx, cancel := context.WithCancel(t.Context())
	type state struct {
		up  bool
		why string
	}
	states, ended := make(chan state, 16), make(chan error)
	go func() {
		ended <- s.run(ctx, handler{state: func(up bool, why string) { states <- state{up, why} }, drop: func(dropped) {}})
	}()
	if first := <-states; !first.up {
		t.Errorf("at first: %+v", first)
	}
	s.want([]string{"root/heard/x"})
	if next := <-states; next.up || next.why != errUnanswered.Error() {
		t.Errorf("then: %+v", next)
	}
	cancel()
	<-ended
}
