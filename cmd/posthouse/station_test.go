package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// ownPackets keeps copies: when it reconnects the library marks what it has kept as sent
// before, while its writer may still have the very same packet in hand.
type ownPackets struct{ *mqtt.MemoryStore }

func (s ownPackets) Put(key string, p packets.ControlPacket) { s.MemoryStore.Put(key, own(p)) }

func (s ownPackets) Get(key string) packets.ControlPacket { return own(s.MemoryStore.Get(key)) }

func own(p packets.ControlPacket) packets.ControlPacket {
	if publish, ok := p.(*packets.PublishPacket); ok {
		c := *publish
		return &c
	}
	return p
}

// said is what a mesh says and is told, in the default shape.
type said struct {
	ID         string   `json:"id,omitempty"`
	From       string   `json:"from,omitempty"`
	To         string   `json:"to,omitempty"`
	Text       string   `json:"text,omitempty"`
	Precedence string   `json:"precedence,omitempty"`
	Ack        string   `json:"ack,omitempty"`
	Nak        string   `json:"nak,omitempty"`
	Via        string   `json:"via,omitempty"`
	Lat        *float64 `json:"lat,omitempty"`
	Lon        *float64 `json:"lon,omitempty"`
}

// station is a radio on a mesh, seen through the mesh's broker. It acknowledges
// what it is sent, keeps its session, and comes back when the broker does.
type station struct {
	t      testing.TB
	call   string
	mesh   string
	via    []string // the gateways of the mesh
	client mqtt.Client

	mu    sync.Mutex
	heard []said
	tell  func(said) // nil, or told of each frame
	mute  bool
	left  bool // the test is over
}

// servedBy names the gateways of the station's mesh, when it is not the usual one.
func (s *station) servedBy(calls ...string) *station {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.via = calls
	return s
}

// also has somebody told of each frame that the station hears from now on.
func (s *station) also(tell func(said)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tell = tell
}

// join connects a station to its mesh and waits until it hears.
func join(t testing.TB, broker, mesh, call string) *station {
	t.Helper()
	s := &station{t: t, call: call, mesh: mesh, via: []string{gatewayCall}}
	hears := make(chan struct{})
	var once sync.Once
	o := mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(call + "-" + mesh).
		SetProtocolVersion(4).SetCleanSession(false).SetOrderMatters(false).
		SetConnectRetry(true).SetConnectRetryInterval(20 * time.Millisecond).SetMaxReconnectInterval(100 * time.Millisecond).
		SetConnectTimeout(5 * time.Second).SetWriteTimeout(5 * time.Second).SetStore(ownPackets{mqtt.NewMemoryStore()}).
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { s.hear(m.Payload()) }).
		SetOnConnectHandler(func(c mqtt.Client) {
			if c.Subscribe(mesh+"/to", 1, nil).WaitTimeout(patience) {
				once.Do(func() { close(hears) })
			}
		})
	s.client = mqtt.NewClient(o)
	connected := s.client.Connect()
	t.Cleanup(s.leave)
	select {
	case <-hears:
	case <-time.After(patience):
		t.Fatalf("%s cannot join %s", call, mesh)
	}
	// Before that the library sends what is published once more, as left over.
	if !connected.WaitTimeout(patience) {
		t.Fatalf("%s is still joining %s", call, mesh)
	}
	return s
}

func (s *station) leave() {
	s.client.Disconnect(100)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.left = true
}

func (s *station) hear(payload []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.left {
		return
	}
	var f said
	if err := json.Unmarshal(payload, &f); err != nil {
		s.t.Errorf("%s was told what is no JSON: %q", s.call, payload)
		return
	}
	if !slices.Contains(s.via, f.Via) {
		s.t.Errorf("%s was told something without the gateway's call sign: %s", s.call, payload)
	}
	s.heard = append(s.heard, f)
	if s.tell != nil {
		s.tell(f)
	}
	if !s.mute && f.To == s.call && f.ID != "" && f.Text != "" {
		s.publish(said{From: s.call, To: f.From, Ack: f.ID})
	}
}

// silence makes the station acknowledge nothing, or ends that.
func (s *station) silence(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mute = on
}

// publish hands a frame to the client, which keeps it until it has a PUBACK.
func (s *station) publish(f said) mqtt.Token {
	b, err := json.Marshal(f)
	if err != nil {
		panic(err) // strings and numbers
	}
	return s.client.Publish(s.mesh+"/from", 1, false, b)
}

// say publishes a frame and waits for the PUBACK.
func (s *station) say(f said) {
	s.t.Helper()
	if f.From == "" {
		f.From = s.call
	}
	s.confirmed(s.publish(f))
}

func (s *station) confirmed(token mqtt.Token) {
	s.t.Helper()
	if !token.WaitTimeout(patience) || token.Error() != nil {
		s.t.Fatalf("%s: no PUBACK: %v", s.call, token.Error())
	}
}

// position lets the station be heard.
func (s *station) position() {
	s.t.Helper()
	lat, lon := 46.51, -122.93
	s.say(said{From: s.call, Lat: &lat, Lon: &lon})
}

// all gives what the station was told that fits.
func (s *station) all(fits func(said) bool) (out []said) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range s.heard {
		if fits(f) {
			out = append(out, f)
		}
	}
	return out
}

// expect waits for a frame that fits, past or coming.
func (s *station) expect(what string, fits func(said) bool) said {
	s.t.Helper()
	var got []said
	await(s.t, fmt.Sprintf("%s to hear %s", s.call, what), func() bool {
		got = s.all(fits)
		return len(got) > 0
	})
	return got[0]
}

// expectText waits for a text to this station or a group that holds these words.
func (s *station) expectText(words string) said {
	s.t.Helper()
	return s.expect(fmt.Sprintf("%q", words), func(f said) bool { return f.To != "" && strings.Contains(f.Text, words) })
}

// expectAck waits for the receipt of what this station wrote.
func (s *station) expectAck(id string) said {
	s.t.Helper()
	return s.expect("the ack of "+id, func(f said) bool { return f.To == s.call && f.Ack == id })
}

// mesh gives the settings of a mesh link on a broker.
func mesh(name, broker string) []string {
	n := "POSTHOUSE_" + strings.ToUpper(name)
	return []string{n + "_KIND=mesh", n + "_BROKER_URL=tcp://" + broker, n + "_OPEN_CHANNEL=yes"}
}

// ownMesh gives the settings of a mesh link on the built-in broker.
func ownMesh(name, listen string) []string {
	n := "POSTHOUSE_" + strings.ToUpper(name)
	return []string{n + "_KIND=mesh", n + "_BROKER_LISTEN=" + listen, n + "_OPEN_CHANNEL=yes"}
}
