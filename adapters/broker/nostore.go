package broker

import "github.com/eclipse/paho.mqtt.golang/packets"

// noStore is a packet store that keeps nothing. The client library would keep in it, for
// later connections, what the broker sends until we confirm it, and for good what it sends
// at QoS 2 and never releases. Here each connection has a new client, and the queue
// remembers.
type noStore struct{}

func (noStore) Open()                             {}
func (noStore) Put(string, packets.ControlPacket) {}
func (noStore) Get(string) packets.ControlPacket  { return nil }
func (noStore) All() []string                     { return nil }
func (noStore) Del(string)                        {}
func (noStore) Close()                            {}
func (noStore) Reset()                            {}
