package broker

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"posthouse/bridge/link"
)

// rejectWait is the wait before a client is disconnected whose publish could not be kept:
// it will come back at once with the same publish.
const rejectWait = time.Second

var errGone = errors.New("the subscriber went away before its PUBACK") // see errLost

// broker is one run of the built-in broker, as the hook of the library's server.
type broker struct {
	mqtt.HookBase
	opts    serverOptions
	ctx     context.Context // of run
	h       handler
	mqtt    *mqtt.Server
	stopped chan struct{}
	flights flights
	astray  atomic.Bool // the latest subscription was to something that nobody may have
	serial  atomic.Uint64

	reports sync.Mutex // held during a report, to keep their order

	mu     sync.Mutex
	named  map[string]*mqtt.Client // by the client id as the client gave it
	offers *delivery               // the publish that is being handed to the subscribers
	owed   map[receipt]*delivery   // PUBACKs that subscribers owe us
}

// receipt identifies the PUBACK of one subscriber for one publish.
type receipt struct {
	client *mqtt.Client
	id     uint16
}

// delivery is one publish on its way to the subscribers. It ends with the first PUBACK, or
// when no subscriber is left that could send one.
type delivery struct {
	done   chan struct{}
	copies int // subscribers that have it; guarded by broker.mu, as err is until done
	err    error
}

func (d *delivery) Done() <-chan struct{} { return d.done }

func (d *delivery) Error() error {
	<-d.done
	return d.err
}

func (d *delivery) end(err error) {
	if !d.ended() {
		d.err = err
		close(d.done)
	}
}

func (d *delivery) ended() bool {
	select {
	case <-d.done:
		return true
	default:
		return false
	}
}

// ID implements mqtt.Hook.
func (b *broker) ID() string { return "posthouse" }

// Provides implements mqtt.Hook.
func (b *broker) Provides(which byte) bool {
	switch which {
	case mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSessionEstablish, mqtt.OnDisconnect,
		mqtt.OnSubscribed, mqtt.OnUnsubscribed, mqtt.OnPublish, mqtt.OnQosPublish, mqtt.OnPacketRead:
		return true
	}
	return false
}

// OnConnect removes what would outlive the connection. Each connection gets a client id of
// its own, so that the library shares no unconfirmed packets between two. A will would
// reach the subscribers without passing our hook.
func (b *broker) OnConnect(cl *mqtt.Client, _ packets.Packet) error {
	cl.ID = fmt.Sprintf("%d %s", b.serial.Add(1), cl.ID)
	cl.Properties.Will = mqtt.Will{}
	cl.Properties.Clean = true
	cl.Properties.Props.SessionExpiryInterval = 0
	return nil
}

// OnConnectAuthenticate compares in constant time.
func (b *broker) OnConnectAuthenticate(_ *mqtt.Client, pk packets.Packet) bool {
	if b.opts.Username == "" && b.opts.Password == "" {
		return true
	}
	if same(pk.Connect.Username, b.opts.Username)&same(pk.Connect.Password, b.opts.Password) == 1 {
		return true
	}
	b.h.drop(dropBadLogin)
	return false
}

func same(got []byte, want string) int {
	g, w := sha256.Sum256(got), sha256.Sum256([]byte(want))
	return subtle.ConstantTimeCompare(g[:], w[:])
}

// OnACLCheck is asked before each publish and subscription.
func (b *broker) OnACLCheck(_ *mqtt.Client, topic string, publish bool) bool {
	if !publish {
		may := b.opts.MaySubscribe(topic)
		b.astray.Store(!may)
		return may
	}
	may := b.opts.MayPublish(topic)
	if !may {
		b.h.drop(dropOtherTopic)
	}
	return may
}

// OnSessionEstablish disconnects the client that had this client id before
// (MQTT-3.1.4-2).
func (b *broker) OnSessionEstablish(cl *mqtt.Client, pk packets.Packet) {
	id := pk.Connect.ClientIdentifier
	if id == "" {
		return
	}
	b.mu.Lock()
	old := b.named[id]
	b.named[id] = cl
	b.mu.Unlock()
	if old != nil {
		old.Stop(packets.ErrSessionTakenOver)
	}
}

// OnDisconnect ends what waits for this client.
func (b *broker) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	if errors.Is(err, packets.ErrPacketTooLarge) {
		b.h.drop(dropTooLarge)
	}
	b.mu.Lock()
	for id, other := range b.named {
		if other == cl {
			delete(b.named, id)
		}
	}
	for r, d := range b.owed {
		if r.client != cl {
			continue
		}
		delete(b.owed, r)
		if d.copies--; d.copies == 0 {
			d.end(errGone)
		}
	}
	b.mu.Unlock()
	b.report()
}

// OnSubscribed and OnUnsubscribed tell whether somebody listens.
func (b *broker) OnSubscribed(*mqtt.Client, packets.Packet, []byte) { b.report() }

// OnUnsubscribed is OnSubscribed's opposite.
func (b *broker) OnUnsubscribed(*mqtt.Client, packets.Packet) { b.report() }

// report reports the state: up while somebody listens on ToTopic.
func (b *broker) report() {
	b.reports.Lock()
	defer b.reports.Unlock()
	if b.ctx.Err() != nil {
		return
	}
	if b.listeners(b.opts.ToTopic) == 0 {
		why := "nobody subscribes to " + b.opts.ToTopic + " at QoS 1"
		if b.astray.Load() {
			why += "; a client asked for another topic, which it does not get"
		}
		b.h.state(false, why)
		return
	}
	b.h.state(true, "a client listens on "+b.opts.ToTopic)
}

// listeners counts those who would confirm a publish: connected and subscribed
// at QoS 1 or above.
func (b *broker) listeners(topic string) (n int) {
	for id, sub := range b.mqtt.Topics.Subscribers(topic).Subscriptions {
		if cl, ok := b.mqtt.Clients.Get(id); ok && !cl.Closed() && sub.Qos > 0 {
			n++
		}
	}
	return n
}

// OnPublish keeps what a client publishes, before its PUBACK. Each client has its own
// goroutine here, so several share a commit.
func (b *broker) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	if !b.opts.MayPublish(pk.TopicName) {
		return pk, packets.ErrRejectPacket
	}
	// The retain flag is ignored: to us each publish is new.
	if err := b.h.take(b.ctx, []packet{{payload: pk.Payload}}); err != nil {
		if pk.FixedHeader.Qos > 0 {
			b.pause()
			cl.Stop(err)
		}
		// With MQTT 3.1.1 only this error ends without a PUBACK.
		return pk, packets.ErrRejectPacket
	}
	return pk, packets.CodeSuccessIgnore // confirmed, and for nobody else
}

func (b *broker) pause() {
	t := time.NewTimer(rejectWait)
	defer t.Stop()
	select {
	case <-t.C:
	case <-b.ctx.Done():
	}
}

// offer publishes to the subscribers. It is called one at a time (flights.turn).
func (b *broker) offer(p packet) token {
	d := &delivery{done: make(chan struct{})}
	b.offering(d)
	err := b.mqtt.Publish(p.topic, p.payload, false, 1)
	b.offering(nil)
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case err != nil:
		return over{err}
	case d.copies == 0 && !d.ended(): // nobody got it (ended: a fast subscriber has confirmed it already)
		return over{link.ErrDown}
	}
	return d
}

// dismiss disconnects the subscribers that owe a PUBACK for one of these.
func (b *broker) dismiss(late []token) {
	b.mu.Lock()
	debtors := map[*mqtt.Client]bool{}
	for r, d := range b.owed {
		if slices.Contains(late, token(d)) {
			debtors[r.client] = true
		}
	}
	b.mu.Unlock()
	for cl := range debtors {
		cl.Stop(errOwing)
	}
}

func (b *broker) offering(d *delivery) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.offers = d
}

// OnQosPublish is called, within Publish, for each subscriber that is to confirm.
func (b *broker) OnQosPublish(cl *mqtt.Client, pk packets.Packet, _ int64, _ int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	// A closed client may have had its OnDisconnect already.
	if pk.FixedHeader.Type != packets.Publish || b.offers == nil || cl.Closed() {
		return
	}
	if b.owed == nil {
		b.owed = map[receipt]*delivery{}
	}
	b.owed[receipt{cl, pk.PacketID}] = b.offers
	b.offers.copies++
}

// OnPacketRead sees each packet before the library does.
func (b *broker) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	switch pk.FixedHeader.Type {
	case packets.Publish:
		return pk, b.checkTopic(cl, pk.TopicName)
	case packets.Puback:
		b.confirmed(cl, pk)
	}
	return pk, nil
}

// checkTopic disconnects a client that publishes to an invalid topic, or to one of the
// library's: the library would silently drop that, and the client wait for its PUBACK.
func (b *broker) checkTopic(cl *mqtt.Client, topic string) error {
	if mqtt.IsValidFilter(topic, true) {
		return nil
	}
	b.h.drop(dropOtherTopic)
	cl.Stop(packets.ErrTopicNameInvalid)
	return packets.ErrRejectPacket
}

// confirmed takes a PUBACK. The library's own hook for that is not called if a publish of
// the client has the same packet id as ours: it keeps both directions in one table, contrary
// to section 2.3.1.
func (b *broker) confirmed(cl *mqtt.Client, pk packets.Packet) {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := receipt{cl, pk.PacketID}
	d, ok := b.owed[r]
	if !ok {
		return
	}
	delete(b.owed, r)
	if _, known := cl.State.Inflight.Get(pk.PacketID); !known {
		cl.State.Inflight.IncreaseSendQuota() // as the library would have
	}
	d.copies--
	if pk.ReasonCode < packets.ErrUnspecifiedError.Code { // MQTT 5 can refuse here
		d.end(nil)
	} else if d.copies == 0 {
		d.end(fmt.Errorf("the subscriber refuses the frame with reason code %#x", pk.ReasonCode))
	}
}
