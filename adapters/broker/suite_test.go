package broker

import (
	"encoding/json"
	"log/slog"
	"net"
	"testing"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/broker/brokertest"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const password = "a secret of some length"

var (
	in  = message.Message{From: "N0QRA-7", To: "N0QRB-9"}
	out = message.Message{From: "N0QRB-9", To: "N0QRA-7"}
)

// One client talks and another listens: whoever waits for its PUBACK is not read
// from, so that its going away would show only afterwards.
func TestSuiteBuiltIn(t *testing.T) {
	adaptertest.Run(t, adaptertest.Kit{
		In: in, Out: out, Confirms: true, Repeats: true, Connected: true, Secret: password,
		New: func(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
			m := newMesh(t, MeshOptions{BrokerListen: "127.0.0.1:0", Username: "node", Password: password, Log: log})
			t.Cleanup(func() { m.listener.Close() })
			talker := newTalker(t, m.Addr().String(), password)
			ear := newNode(t, m.Addr().String(), func(o *mqtt.ClientOptions) { o.SetUsername("node").SetPassword(password) })
			return m, adaptertest.Peer{
				Say: func(m message.Message) <-chan adaptertest.Answer {
					answers := make(chan adaptertest.Answer, 1)
					talker.say(asText(m), func() { answers <- adaptertest.Taken })
					return answers
				},
				Heard: ear.heard(t),
				Cut:   func() { talker.cut(); ear.cut() },
				Mend:  func() { talker.mend(); ear.mend() },
				Stall: ear.stall,
				Junk: func(b []byte) {
					if conn, err := net.Dial("tcp", m.Addr().String()); err == nil {
						conn.Write(b)
						conn.Close()
					}
					if len(b) <= MaxPayload { // a larger one would be said again for ever
						talker.say(string(b), func() {})
					}
				},
			}
		},
	})
}

// Here the broker confirms to the node, whatever the link does.
func TestSuiteMosquitto(t *testing.T) {
	brokertest.Program(t, "mosquitto")
	adaptertest.Run(t, adaptertest.Kit{
		In: in, Out: out, Repeats: true, Connected: true, Secret: password,
		New: func(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
			b := brokertest.Mosquitto(t, brokertest.Password(t, "gate", password)...)
			m := newMesh(t, MeshOptions{BrokerURL: b.URL, Username: "gate", Password: password, Log: log})
			n := newNode(t, b.Addr, func(o *mqtt.ClientOptions) { o.SetUsername("gate").SetPassword(password) }).connected(t)
			return m, adaptertest.Peer{
				Say:   func(m message.Message) <-chan adaptertest.Answer { n.say(asText(m)); return nil },
				Heard: n.heard(t),
				Cut:   b.Kill, Mend: b.Restart, Stall: b.Freeze,
				Junk: func(b []byte) { n.client.Publish("valley/from", 1, false, b) },
			}
		},
	})
}

// heard gives the texts of what the node is told.
func (n *node) heard(t testing.TB) <-chan string {
	done, texts := make(chan struct{}), make(chan string, 1024)
	t.Cleanup(func() { close(done) })
	go func() {
		for {
			select {
			case b := <-n.told:
				var f frame
				if json.Unmarshal(b, &f) == nil && f.Text != nil {
					texts <- *f.Text
				}
			case <-done:
				return
			}
		}
	}()
	return texts
}
