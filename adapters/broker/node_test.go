package broker

import (
	"encoding/json"
	"errors"
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"posthouse/bridge/message"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const patience = 20 * time.Second

// node is a mesh node's side of a broker: it publishes what the mesh says and
// confirms what it is told. Its connection can be cut, it comes back by itself.
type node struct {
	client mqtt.Client
	begun  mqtt.Token
	told   chan []byte // what it was told, in order

	mu     sync.Mutex
	conn   net.Conn
	away   bool
	silent bool // does not confirm

	ready chan struct{} // gets one each time it has subscribed
}

// newNode connects, in the background, to the broker at addr.
func newNode(t testing.TB, addr string, set ...func(*mqtt.ClientOptions)) *node {
	n := &node{told: make(chan []byte, 4096), ready: make(chan struct{}, 100)}
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("node").SetProtocolVersion(4).
		SetCleanSession(false).SetAutoAckDisabled(true).
		SetConnectRetry(true).SetConnectRetryInterval(20 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond).
		SetConnectTimeout(patience).SetDefaultPublishHandler(n.hear).
		SetOnConnectHandler(n.subscribe).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return n.dial(addr) })
	for _, f := range set {
		f(o)
	}
	n.client = mqtt.NewClient(o)
	n.begun = n.client.Connect()
	t.Cleanup(func() {
		n.cut()
		n.client.Disconnect(200)
	})
	return n
}

func (n *node) dial(addr string) (net.Conn, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.away {
		return nil, errors.New("the node is away")
	}
	conn, err := net.Dial("tcp", addr)
	n.conn = conn
	return conn, err
}

func (n *node) cut() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.away = true
	if n.conn != nil {
		// The library takes a closed connection for its own doing and stays away.
		n.conn.SetDeadline(time.Unix(1, 0))
	}
}

func (n *node) mend() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.away, n.silent = false, false
}

func (n *node) stall() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.silent = true
}

func (n *node) subscribe(c mqtt.Client) {
	if t := c.Subscribe("valley/to", 1, nil); t.WaitTimeout(patience) && t.Error() == nil {
		n.ready <- struct{}{}
	}
}

// connected waits until the node has subscribed, and until the library has sent
// what its store holds: it would send twice what it is given meanwhile.
func (n *node) connected(t testing.TB) *node {
	t.Helper()
	confirmed(t, n.begun)
	select {
	case <-n.ready:
	case <-time.After(patience):
		t.Fatalf("the node did not connect within %v", patience)
	}
	return n
}

func (n *node) hear(_ mqtt.Client, m mqtt.Message) {
	n.mu.Lock()
	silent := n.silent
	n.mu.Unlock()
	if silent {
		return
	}
	n.told <- m.Payload()
	m.Ack()
}

// say publishes and returns the token, which is done with the PUBACK.
func (n *node) say(payload string) mqtt.Token {
	return n.client.Publish("valley/from", 1, false, payload)
}

// next gives the next thing that the node was told.
func (n *node) next(t testing.TB) map[string]any {
	t.Helper()
	select {
	case b := <-n.told:
		var m map[string]any
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatalf("the node was told %q: %v", b, err)
		}
		return m
	case <-time.After(patience):
		t.Fatalf("the node was told nothing within %v", patience)
		return nil
	}
}

func confirmed(t testing.TB, tokens ...mqtt.Token) {
	t.Helper()
	for i, token := range tokens {
		if !token.WaitTimeout(patience) || token.Error() != nil {
			t.Fatalf("publish %d was not confirmed: %v", i, token.Error())
		}
	}
}

// asText is how a node publishes a message of the adapter suite.
func asText(m message.Message) string {
	b, err := marshal(frame{ID: m.OriginID, From: m.From, To: m.To, Text: &m.Text})
	if err != nil {
		panic(err)
	}
	return string(b)
}
