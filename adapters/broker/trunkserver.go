package broker

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

const (
	// A trunk's built-in broker is for a few friends, not a country.
	maxGateways = 64
	// How long it keeps messages for a gateway that is away; later ones are sent again.
	sessionExpiry = 2 * 60 * 60 // seconds
)

// trunkServer is the built-in broker of a trunk: a plain broker for the trunk's topics, so
// that two gateways need no other server. It stores nothing on disk: the sender keeps a
// message until the far gateway's custody receipt.
type trunkServer struct {
	mqtt.HookBase
	root, username, password string
	listen                   net.Listener
	log                      *slog.Logger
}

// run serves until ctx ends.
func (t *trunkServer) run(ctx context.Context) error {
	c := mqtt.NewDefaultServerCapabilities()
	c.MaximumClients = maxGateways
	c.MaximumPacketSize = MaxPayload + 1024
	c.MaximumClientWritesPending = 4 * maxOpen
	c.MaximumInflight = 4 * maxOpen
	c.ReceiveMaximum = batch
	c.MaximumSessionExpiryInterval = sessionExpiry
	c.MaximumMessageExpiryInterval = sessionExpiry
	c.TopicAliasMaximum = 0
	c.SharedSubAvailable = 0
	s := mqtt.New(&mqtt.Options{Capabilities: c, Logger: slog.New(slog.DiscardHandler), SysTopicResendInterval: day})
	if err := s.AddHook(t, nil); err != nil {
		return err
	}
	if err := s.AddListener(&listener{Listener: t.listen, log: t.log, most: maxGateways, open: map[net.Conn]bool{}}); err != nil {
		return err
	}
	if err := s.Serve(); err != nil {
		return err
	}
	<-ctx.Done()
	return errors.Join(ctx.Err(), s.Close())
}

// ID implements mqtt.Hook.
func (t *trunkServer) ID() string { return "posthouse-trunk" }

// Provides implements mqtt.Hook.
func (t *trunkServer) Provides(which byte) bool {
	return which == mqtt.OnConnectAuthenticate || which == mqtt.OnACLCheck
}

// OnConnectAuthenticate compares in constant time.
func (t *trunkServer) OnConnectAuthenticate(_ *mqtt.Client, pk packets.Packet) bool {
	return t.username == "" && t.password == "" || same(pk.Connect.Username, t.username)&same(pk.Connect.Password, t.password) == 1
}

// OnACLCheck allows the trunk's topics only. Who publishes there does not matter, since
// everything is signed.
func (t *trunkServer) OnACLCheck(_ *mqtt.Client, topic string, _ bool) bool {
	return strings.HasPrefix(topic, t.root+"/")
}
