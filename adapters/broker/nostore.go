package broker

import "github.com/eclipse/paho.mqtt.golang/packets"

// noStore keeps no packets. The client library would have one for what a later
// connection of the same client says again, and keep in it what the broker sends until
// we confirm it, or for good what the broker sends at QoS 2 and does not release. Here
// each connection is a client of its own, and the queue remembers.
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
