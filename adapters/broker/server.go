package broker

import (
	"context"
	"log/slog"
	"net"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"

	"posthouse/bridge/link"
)

const (
	maxClients = 32
	day        = 24 * 60 * 60 // seconds
)

// serverOptions say who may do what at the built-in broker.
type serverOptions struct {
	Username, Password string                   // of every client; both empty: anybody may connect
	MayPublish         func(topic string) bool  // else the client is disconnected
	MaySubscribe       func(filter string) bool // else the subscription is refused
	ToTopic            string                   // where publishes go; the link is up while somebody listens there
	Log                *slog.Logger
}

// server is the built-in broker of a mesh. A client's publish is kept in the publish hook,
// before its PUBACK, and no other client gets it. Our own publish counts as taken when a
// subscriber has sent its PUBACK. There are no sessions, wills or retained messages: what
// was not confirmed is still in the queue, or with the client.
type server struct {
	opts   serverOptions
	listen net.Listener

	mu   sync.Mutex
	live *broker // nil: not running
}

func newServer(l net.Listener, opts serverOptions) *server { return &server{opts: opts, listen: l} }

// run implements transport.
func (s *server) run(ctx context.Context, h handler) error {
	b := &broker{opts: s.opts, ctx: ctx, h: h, stopped: make(chan struct{}), named: map[string]*mqtt.Client{}}
	b.mqtt = mqtt.New(&mqtt.Options{
		Capabilities:           capabilities(),
		InlineClient:           true,
		Logger:                 slog.New(slog.DiscardHandler), // it would show payloads
		SysTopicResendInterval: day,                           // nobody may read these topics
	})
	l := &listener{Listener: s.listen, log: s.opts.Log, most: maxClients, open: map[net.Conn]bool{}}
	if err := b.mqtt.AddHook(b, nil); err != nil {
		return err
	}
	if err := b.mqtt.AddListener(l); err != nil {
		return err
	}
	b.report()
	s.use(b)
	if err := b.mqtt.Serve(); err != nil {
		return err
	}
	<-ctx.Done()
	s.use(nil)
	close(b.stopped)
	_ = b.mqtt.Close() // gives no error
	h.state(false, "stopped")
	return ctx.Err()
}

func (s *server) use(b *broker) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.live = b
}

// publish implements transport.
func (s *server) publish(ctx context.Context, out []packet) []error {
	s.mu.Lock()
	b := s.live
	s.mu.Unlock()
	if b == nil || b.listeners(s.opts.ToTopic) == 0 {
		return all(len(out), link.ErrDown)
	}
	errs := b.flights.send(ctx, b.stopped, out, b.offer)
	b.dismiss(b.flights.owing())
	return errs
}

// capabilities bound what one client may ask for.
func capabilities() *mqtt.Capabilities {
	c := mqtt.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumPacketSize = MaxPayload + 1024 // with its topic
	c.MaximumClientWritesPending = maxOpen
	c.MaximumInflight = maxOpen
	c.ReceiveMaximum = batch
	c.MaximumMessageExpiryInterval = 60 * 60
	c.MaximumSessionExpiryInterval = 0 // no sessions
	c.TopicAliasMaximum = 0            // an alias would be checked against the rights under its empty name
	c.SharedSubAvailable = 0
	return c
}
