package broker

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	mochi "github.com/mochi-mqtt/server/v2"
	mochipackets "github.com/mochi-mqtt/server/v2/packets"
	"pgregory.net/rapid"

	"posthouse/adapters/adaptertest"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// raw is a client of the built-in broker that does nothing by itself.
type raw struct {
	t    testing.TB
	conn net.Conn
	r    *bufio.Reader
}

// dialRaw connects and expects a return code in the CONNACK.
func dialRaw(t testing.TB, m *Mesh, wantCode byte, set ...func(*packets.ConnectPacket)) *raw {
	t.Helper()
	conn, err := net.Dial("tcp", m.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	c := &raw{t: t, conn: conn, r: bufio.NewReader(conn)}
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.CleanSession, p.ClientIdentifier, p.Keepalive = "MQTT", 4, true, "raw", 60
	for _, f := range set {
		f(p)
	}
	c.write(p)
	if ack := c.read().(*packets.ConnackPacket); ack.ReturnCode != wantCode {
		t.Fatalf("CONNACK %d, want %d", ack.ReturnCode, wantCode)
	}
	return c
}

func (c *raw) write(p packets.ControlPacket) {
	c.t.Helper()
	if err := p.Write(c.conn); err != nil {
		c.t.Fatal(err)
	}
}

func (c *raw) read() packets.ControlPacket {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(patience))
	p, err := packets.ReadPacket(c.r)
	if err != nil {
		c.t.Fatal(err)
	}
	return p
}

// silent checks that nothing comes for a moment.
func (c *raw) silent() {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	if p, err := packets.ReadPacket(c.r); err == nil {
		c.t.Fatalf("the broker sent %v", p)
	}
}

// gone checks that the broker has ended the connection without another packet.
func (c *raw) gone() {
	c.t.Helper()
	c.conn.SetReadDeadline(time.Now().Add(patience))
	if b, err := c.r.ReadByte(); err == nil {
		c.t.Fatalf("the broker sent a packet of type %d", b>>4)
	} else if timeout, ok := errors.AsType[net.Error](err); ok && timeout.Timeout() {
		c.t.Fatal("the broker keeps the connection")
	}
}

func (c *raw) publish(id uint16, topic, payload string) {
	c.t.Helper()
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.MessageID, p.TopicName, p.Payload = 1, id, topic, []byte(payload)
	if id == 0 {
		p.Qos = 0
	}
	c.write(p)
}

func (c *raw) puback(id uint16) {
	c.t.Helper()
	p := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
	p.MessageID = id
	c.write(p)
}

// subscribe expects a return code in the SUBACK.
func (c *raw) subscribe(topic string, qos, want byte) {
	c.t.Helper()
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.MessageID, p.Topics, p.Qoss = 9999, []string{topic}, []byte{qos}
	c.write(p)
	if ack := c.read().(*packets.SubackPacket); ack.ReturnCodes[0] != want {
		c.t.Fatalf("SUBACK for %s: %#x, want %#x", topic, ack.ReturnCodes[0], want)
	}
}

func (c *raw) takes(text string) *packets.PublishPacket {
	c.t.Helper()
	p, ok := c.read().(*packets.PublishPacket)
	if !ok || !strings.Contains(string(p.Payload), text) {
		c.t.Fatalf("the subscriber got %v, want a publish with %q", p, text)
	}
	return p
}

func builtIn(t *testing.T, o MeshOptions) *rig {
	t.Helper()
	o.BrokerListen = "127.0.0.1:0"
	return run(t, newMesh(t, o), &adaptertest.Host{})
}

func text(s string) message.Message {
	return message.Message{Kind: message.Text, From: "N0QRC", To: "N0QRA-7", Text: s}
}

func (r *rig) sendAside(t testing.TB, s string) <-chan error {
	result := make(chan error, 1)
	go func() { result <- r.send(t, text(s), "") }()
	return result
}

func result(t testing.TB, errs <-chan error) error {
	t.Helper()
	select {
	case err := <-errs:
		return err
	case <-time.After(patience):
		t.Fatalf("Send did not return within %v", patience)
		return nil
	}
}

func TestBuiltInPubackOnlyAfterAccept(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	release := r.Block()
	c := dialRaw(t, r.mesh, 0)
	c.publish(7, "valley/from", hello(1))
	r.await(t, "accept has it", func() bool { return len(r.Offered()) == 1 })
	c.silent()
	release()
	if ack, ok := c.read().(*packets.PubackPacket); !ok || ack.MessageID != 7 {
		t.Errorf("the broker sent %v, want the PUBACK of 7", ack)
	}
	if n := len(r.Kept()); n != 1 {
		t.Errorf("%d messages kept at the PUBACK, want 1", n)
	}
}

func TestBuiltInDisconnectsWhenAcceptFails(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	r.FailNext(errors.New("disk full"))
	c := dialRaw(t, r.mesh, 0)
	c.publish(7, "valley/from", hello(1))
	c.gone()
	again := dialRaw(t, r.mesh, 0)
	again.publish(7, "valley/from", hello(1))
	if _, ok := again.read().(*packets.PubackPacket); !ok || len(r.Kept()) != 1 {
		t.Errorf("kept %v, want the message", r.Kept())
	}
}

func TestBuiltInSentMeansPuback(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	if err := r.send(t, text("nobody there"), ""); !errors.Is(err, link.ErrDown) {
		t.Errorf("Send without a subscriber: %v, want link.ErrDown", err)
	}
	c := dialRaw(t, r.mesh, 0)
	c.subscribe("valley/to", 0, 0)
	if err := r.send(t, text("nobody confirms"), ""); !errors.Is(err, link.ErrDown) || r.Up() {
		t.Errorf("Send to a subscriber at QoS 0: %v, want link.ErrDown", err)
	}
	c.subscribe("valley/to", 1, 1)
	r.await(t, "the link is up", r.Up)
	sent := r.sendAside(t, "one")
	p := c.takes("one")
	select {
	case err := <-sent:
		t.Fatalf("Send returned %v before the PUBACK", err)
	case <-time.After(100 * time.Millisecond):
	}
	c.puback(p.MessageID)
	if err := result(t, sent); err != nil {
		t.Error(err)
	}
	sent = r.sendAside(t, "two")
	c.takes("two")
	c.conn.Close()
	if err := result(t, sent); !errors.Is(err, errGone) {
		t.Errorf("Send to a subscriber that went away: %v, want %v", err, errGone)
	}
	r.await(t, "the link is down", func() bool { return !r.Up() })
}

// hasty confirms what goes to a subscriber before the publish has returned, as a
// fast subscriber may.
type hasty struct {
	mochi.HookBase
	b *broker
}

func (hasty) ID() string               { return "hasty" }
func (hasty) Provides(which byte) bool { return which == mochi.OnQosPublish }
func (h hasty) OnQosPublish(cl *mochi.Client, pk mochipackets.Packet, _ int64, _ int) {
	h.b.confirmed(cl, mochipackets.Packet{PacketID: pk.PacketID})
}

func TestBuiltInSubscriberThatConfirmsAtOnce(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	c := dialRaw(t, r.mesh, 0)
	c.subscribe("valley/to", 1, 1)
	r.await(t, "the link is up", r.Up)
	b := r.mesh.transport.(*server).live
	if err := b.mqtt.AddHook(&hasty{b: b}, nil); err != nil {
		t.Fatal(err)
	}
	if err := r.send(t, text("one"), ""); err != nil {
		t.Errorf("Send gave %v for a text that was confirmed", err)
	}
}

// Packet ids of the two directions have nothing to do with each other (MQTT
// 3.1.1 section 2.3.1, the note on asynchronous use of the same ids).
func TestBuiltInSamePacketIDBothWays(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	c := dialRaw(t, r.mesh, 0)
	c.subscribe("valley/to", 1, 1)
	r.await(t, "the link is up", r.Up)
	for i := range 20 {
		sent := r.sendAside(t, fmt.Sprint("out ", i))
		id := c.takes("out").MessageID
		c.publish(id, "valley/from", hello(i))
		if ack, ok := c.read().(*packets.PubackPacket); !ok || ack.MessageID != id {
			t.Fatalf("the broker sent %v, want the PUBACK of %d", ack, id)
		}
		c.puback(id)
		if err := result(t, sent); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(r.Kept()); n != 20 {
		t.Errorf("%d messages kept, want 20", n)
	}
}

func TestBuiltInOneOfTwoSubscribersIsEnough(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	a := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.ClientIdentifier = "a" })
	b := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.ClientIdentifier = "b" })
	a.subscribe("valley/to", 1, 1)
	b.subscribe("valley/to", 1, 1)
	sent := r.sendAside(t, "one")
	a.takes("one")
	p := b.takes("one")
	a.conn.Close()
	b.puback(p.MessageID)
	if err := result(t, sent); err != nil {
		t.Error(err)
	}
}

func TestBuiltInRights(t *testing.T) {
	r := builtIn(t, MeshOptions{FromTopic: "valley/+/from", Username: "node", Password: password})
	login := func(user, pass string) func(*packets.ConnectPacket) {
		return func(p *packets.ConnectPacket) {
			p.UsernameFlag, p.Username, p.PasswordFlag, p.Password = true, user, true, []byte(pass)
		}
	}
	dialRaw(t, r.mesh, packets.ErrRefusedNotAuthorised)
	dialRaw(t, r.mesh, packets.ErrRefusedNotAuthorised, login("node", "guess"))
	dialRaw(t, r.mesh, packets.ErrRefusedNotAuthorised, login("", password))
	if got := r.Counts()["bad-login"]; got != 3 {
		t.Errorf("%d bad logins counted, want 3", got)
	}
	c := dialRaw(t, r.mesh, 0, login("node", password))
	for _, topic := range []string{"#", "+/to", "valley/#", "$SYS/#", "$SYS/broker/version", "$share/g/valley/to", "valley/1/from"} {
		c.subscribe(topic, 1, 0x80)
	}
	if s := r.States(); !strings.Contains(s[len(s)-1].Why, "a client asked for another topic, which it does not get") {
		t.Errorf("nothing says why the link is down: %+v", s)
	}
	c.publish(1, "valley/1/from", hello(1))
	if _, ok := c.read().(*packets.PubackPacket); !ok {
		t.Error("a publish on the from topic was not confirmed")
	}
	for _, topic := range []string{"valley/to", "valley/from", "valley/1/2/from", "$SYS/broker/version"} {
		c.publish(2, topic, hello(2))
		c.conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
		for p, err := packets.ReadPacket(c.r); err == nil; p, err = packets.ReadPacket(c.r) {
			if _, ok := p.(*packets.PubackPacket); ok {
				t.Errorf("a publish on %s was confirmed", topic)
			}
		}
		c = dialRaw(t, r.mesh, 0, login("node", password))
	}
	if n := len(r.Kept()); n != 1 {
		t.Errorf("%d messages kept, want 1", n)
	}
	if got := r.Counts()["other-topic"]; got != 4 {
		t.Errorf("%d publishes to other topics counted, want 4", got)
	}
}

// The library is silent about these, and their clients would wait for a PUBACK
// for ever.
func TestBuiltInEndsWithWhoPublishesToNoTopic(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	for _, topic := range []string{"$SYS/broker/version", "$sys/x", "valley/#", "valley/+"} {
		c := dialRaw(t, r.mesh, 0)
		c.publish(1, topic, hello(1))
		c.gone()
	}
	if n := len(r.Kept()); n != 0 {
		t.Errorf("%d messages kept, want none", n)
	}
}

// A will would go to the subscribers past the queue and the rules.
func TestBuiltInWillAndRetainedComeToNothing(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	c := dialRaw(t, r.mesh, 0)
	c.subscribe("valley/to", 1, 1)
	w := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) {
		p.ClientIdentifier, p.WillFlag, p.WillQos, p.WillRetain = "will", true, 1, true
		p.WillTopic, p.WillMessage = "valley/to", []byte("past the rules")
	})
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.Qos, p.MessageID, p.Retain, p.TopicName, p.Payload = 1, 1, true, "valley/from", []byte(hello(1))
	w.write(p)
	if _, ok := w.read().(*packets.PubackPacket); !ok {
		t.Error("a retained publish was not confirmed")
	}
	r.kept(t, 1) // news, whatever its flag
	w.conn.Close()
	c.silent()
	late := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.ClientIdentifier = "late" })
	late.subscribe("valley/to", 1, 1)
	late.silent()
}

func TestBuiltInSecondClientOfOneID(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	first := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.CleanSession = false })
	first.subscribe("valley/to", 1, 1)
	sent := r.sendAside(t, "to the first")
	first.takes("to the first")
	second := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.CleanSession = false })
	first.gone()
	if err := result(t, sent); !errors.Is(err, errGone) {
		t.Errorf("Send to the client that was replaced: %v, want %v", err, errGone)
	}
	second.subscribe("valley/to", 1, 1)
	sent = r.sendAside(t, "to the second")
	second.puback(second.takes("to the second").MessageID)
	if err := result(t, sent); err != nil {
		t.Error(err)
	}
}

func TestBuiltInLimits(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	c := dialRaw(t, r.mesh, 0)
	c.publish(1, "valley/from", strings.Repeat("x", MaxPayload+1))
	if _, ok := c.read().(*packets.PubackPacket); !ok {
		t.Error("a payload just above the limit was not confirmed")
	}
	fmt.Fprint(c.conn, "\x32\x80\x80\x40") // a publish that says it has 1 MiB
	c.gone()
	r.await(t, "both are counted", func() bool { return r.Counts()["payload-too-large"] == 2 })

	var strangers []net.Conn
	for range 2 * maxClients {
		conn, err := net.Dial("tcp", r.mesh.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		strangers = append(strangers, conn)
	}
	turnedAway := 0
	for _, conn := range strangers {
		conn.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
		_, err := conn.Read(make([]byte, 1))
		if timeout, ok := errors.AsType[net.Error](err); !ok || !timeout.Timeout() {
			turnedAway++
		}
		if turnedAway >= maxClients {
			break
		}
	}
	for _, conn := range strangers {
		conn.Close()
	}
	if turnedAway < maxClients {
		t.Errorf("%d of %d silent connections turned away, want all above %d", turnedAway, len(strangers), maxClients)
	}
	eventually(t, "there is room again", func() bool {
		conn, err := net.Dial("tcp", r.mesh.Addr().String())
		if err != nil {
			return false
		}
		defer conn.Close()
		p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
		p.ProtocolName, p.ProtocolVersion, p.CleanSession, p.ClientIdentifier = "MQTT", 4, true, "back"
		if p.Write(conn) != nil {
			return false
		}
		conn.SetReadDeadline(time.Now().Add(time.Second))
		_, err = packets.ReadPacket(conn)
		return err == nil
	})
}

func TestBuiltInAcceptsOfSeveralClientsRunAtOnce(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	release := r.Block()
	var clients sync.WaitGroup
	for i := range 5 {
		c := dialRaw(t, r.mesh, 0, func(p *packets.ConnectPacket) { p.ClientIdentifier = fmt.Sprint("node ", i) })
		c.publish(1, "valley/from", hello(i))
		clients.Go(func() {
			if p, err := packets.ReadPacket(c.r); err != nil || p.Details().MessageID != 1 {
				t.Errorf("client %d was not confirmed: %v", i, err)
			}
		})
	}
	r.await(t, "all five are at accept", func() bool { return len(r.Offered()) == 5 })
	release()
	clients.Wait()
}

func TestBuiltInAddressInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, err = NewMesh(MeshOptions{Name: "valley", Call: "N0QRZ-10", BrokerListen: l.Addr().String()})
	if err == nil || !strings.Contains(err.Error(), "_BROKER_LISTEN") || !strings.Contains(err.Error(), "in use") {
		t.Errorf("NewMesh on a taken port: %v, want an error that says so", err)
	}
}

// Junk behind a proper CONNECT reaches the library's parsers.
func TestBuiltInSurvivesJunkPackets(t *testing.T) {
	r := builtIn(t, MeshOptions{})
	rapid.Check(t, func(rt *rapid.T) {
		version := rapid.SampledFrom([]byte{3, 4, 5}).Draw(rt, "protocol version")
		conn, err := net.Dial("tcp", r.mesh.Addr().String())
		if err != nil {
			rt.Fatal(err)
		}
		defer conn.Close()
		conn.Write(connectPacket(version))
		for range rapid.IntRange(1, 5).Draw(rt, "packets") {
			body := rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(rt, "body")
			if rapid.Bool().Draw(rt, "with a topic") {
				body = append([]byte("\x00\x0bvalley/from"), body...)
			}
			conn.Write(append([]byte{rapid.Byte().Draw(rt, "type and flags"), byte(len(body))}, body...))
		}
		conn.(*net.TCPConn).CloseWrite()
		conn.SetReadDeadline(time.Now().Add(patience))
		if _, err := io.Copy(io.Discard, conn); errors.Is(err, os.ErrDeadlineExceeded) {
			rt.Fatal("the broker neither answers nor ends the connection")
		}
	})
	c := dialRaw(t, r.mesh, 0)
	c.publish(1, "valley/from", `{"from":"N0QRA","to":"ALL","text":"after all that"}`)
	if _, ok := c.read().(*packets.PubackPacket); !ok {
		t.Error("the broker does not work any more")
	}
}

// connectPacket is a CONNECT without login, for a clean session.
func connectPacket(version byte) []byte {
	name := "MQTT"
	if version == 3 {
		name = "MQIsdp"
	}
	body := append([]byte{0, byte(len(name))}, name...)
	body = append(body, version, 2, 0, 60)
	if version == 5 {
		body = append(body, 0) // no properties
	}
	body = append(body, 0, 1, 'j')
	return append([]byte{0x10, byte(len(body))}, body...)
}
