package broker

import (
	"encoding/json"
	"log/slog"
	"net"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/broker/brokertest"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const password = "a secret of 27 bytes, at most"

var (
	in  = message.Message{From: "N0QRA-7", To: "N0QRB-9"}
	out = message.Message{From: "N0QRB-9", To: "N0QRA-7"}
)

func TestSuiteBuiltIn(t *testing.T) {
	adaptertest.Run(t, adaptertest.Kit{
		In: in, Out: out, Confirms: true, Repeats: true, Connected: true, Secret: password,
		New: func(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
			m := newMesh(t, MeshOptions{BrokerListen: "127.0.0.1:0", Username: "node", Password: password, Log: log})
			t.Cleanup(func() { m.listener.Close() })
			login := func(o *mqtt.ClientOptions) { o.SetUsername("node").SetPassword(password) }
			n := newNode(t, m.Addr().String(), login, func(o *mqtt.ClientOptions) { o.SetOnConnectHandler(nil) })
			// One that only listens: whoever waits for its PUBACK is not read from, so
			// its going away shows only afterwards.
			ear := newNode(t, m.Addr().String(), login, func(o *mqtt.ClientOptions) { o.SetClientID("ear") })
			peer := n.peer(t)
			peer.Heard = ear.peer(t).Heard
			peer.Cut = func() { n.cut(); ear.cut() }
			peer.Mend = func() { n.mend(); ear.mend() }
			peer.Stall = ear.stall
			peer.Junk = func(b []byte) { n.junk(m.Addr().String(), b) }
			return m, peer
		},
	})
}

func TestSuiteMosquitto(t *testing.T) {
	brokertest.Program(t, "mosquitto")
	adaptertest.Run(t, adaptertest.Kit{
		In: in, Out: out, Repeats: true, Connected: true, Secret: password,
		New: func(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
			b := brokertest.Mosquitto(t, brokertest.Password(t, "gate", password)...)
			login := func(o *mqtt.ClientOptions) { o.SetUsername("gate").SetPassword(password) }
			m := newMesh(t, MeshOptions{BrokerURL: b.URL, Username: "gate", Password: password, Log: log})
			n := newNode(t, b.Addr, login).connected(t)
			peer := n.peer(t)
			say := peer.Say
			peer.Say = func(m message.Message) <-chan adaptertest.Answer {
				say(m)
				return nil // the broker answers, not the link
			}
			peer.Cut, peer.Mend, peer.Stall = b.Kill, b.Restart, b.Freeze
			peer.Junk = func(junk []byte) { n.client.Publish("valley/from", 1, false, junk) }
			return m, peer
		},
	})
}

// peer makes the node the far side of the suite.
func (n *node) peer(t testing.TB) adaptertest.Peer {
	done := make(chan struct{})
	t.Cleanup(func() { close(done) })
	heard := make(chan string, 1024)
	go func() {
		for {
			select {
			case b := <-n.told:
				var f frame
				if json.Unmarshal(b, &f) == nil && f.Text != nil {
					heard <- *f.Text
				}
			case <-done:
				return
			}
		}
	}()
	say := func(m message.Message) <-chan adaptertest.Answer {
		answers := make(chan adaptertest.Answer, 1)
		go func() {
			if !n.open(done) {
				return
			}
			token := n.say(asText(m))
			select {
			case <-token.Done():
				if token.Error() == nil {
					answers <- adaptertest.Taken
				}
			case <-done:
			}
		}()
		return answers
	}
	return adaptertest.Peer{Say: say, Heard: heard}
}

// open waits for the connection: what the client library is given before, it
// calls confirmed when it sends it.
func (n *node) open(done <-chan struct{}) bool {
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	for !n.client.IsConnectionOpen() {
		select {
		case <-again.C:
		case <-done:
			return false
		}
	}
	return true
}

// junk sends bytes twice: as a connection of their own, and as a publish.
func (n *node) junk(addr string, b []byte) {
	if conn, err := net.Dial("tcp", addr); err == nil {
		conn.Write(b)
		conn.Close()
	}
	if len(b) <= MaxPayload { // the client would send a larger one again for ever
		n.client.Publish("valley/from", 1, false, b)
	}
}
