package broker

import (
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// talker publishes on valley/from at QoS 1 and says again, on every connection,
// what had no PUBACK. The client library does so too, but it calls a publish
// confirmed as soon as it says it again.
type talker struct {
	addr     string
	password string
	stopped  chan struct{}
	ended    sync.WaitGroup

	mu      sync.Mutex
	conn    net.Conn // nil: there is none
	open    bool     // the broker has answered CONNECT
	away    bool
	last    uint16
	pending []said // in order
}

type said struct {
	id        uint16
	payload   string
	confirmed func()
}

func newTalker(t testing.TB, addr, password string) *talker {
	k := &talker{addr: addr, password: password, stopped: make(chan struct{})}
	k.ended.Go(k.run)
	t.Cleanup(func() {
		close(k.stopped)
		k.cut()
		k.ended.Wait()
	})
	return k
}

func (k *talker) say(payload string, confirmed func()) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.last++
	s := said{k.last, payload, confirmed}
	k.pending = append(k.pending, s)
	if k.open {
		k.publish(s)
	}
}

func (k *talker) publish(s said) {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.MessageID, p.TopicName, p.Payload = 1, s.id, "valley/from", []byte(s.payload)
	_ = p.Write(k.conn) // if it fails, the connection ends and it is said again
}

func (k *talker) cut() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.away = true
	if k.conn != nil {
		k.conn.Close()
	}
}

func (k *talker) mend() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.away = false
}

// run connects again and again.
func (k *talker) run() {
	again := time.NewTicker(10 * time.Millisecond)
	defer again.Stop()
	for {
		if conn := k.dial(); conn != nil {
			k.listen(conn)
			k.hangUp(conn)
		}
		select {
		case <-again.C:
		case <-k.stopped:
			return
		}
	}
}

func (k *talker) dial() net.Conn {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.away {
		return nil
	}
	conn, err := net.Dial("tcp", k.addr)
	if err != nil {
		return nil
	}
	k.conn = conn
	return conn
}

func (k *talker) hangUp(conn net.Conn) {
	k.mu.Lock()
	defer k.mu.Unlock()
	conn.Close()
	k.conn, k.open = nil, false
}

func (k *talker) listen(conn net.Conn) {
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.ClientIdentifier, p.Keepalive = "MQTT", 4, "talker", 60
	p.UsernameFlag, p.Username, p.PasswordFlag, p.Password = true, "node", true, []byte(k.password)
	if p.Write(conn) != nil {
		return
	}
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		switch p := p.(type) {
		case *packets.ConnackPacket:
			k.connected()
		case *packets.PubackPacket:
			k.confirm(p.MessageID)
		}
	}
}

func (k *talker) connected() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.open = true
	for _, s := range k.pending {
		k.publish(s)
	}
}

func (k *talker) confirm(id uint16) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i, s := range k.pending {
		if s.id == id {
			k.pending = append(k.pending[:i:i], k.pending[i+1:]...)
			s.confirmed()
			return
		}
	}
}
