package broker

import (
	"net"
	"runtime"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"posthouse/adapters/adaptertest"
)

// A broker that sends at QoS 2, which nobody asked for, and never ends the exchange
// (section 4.3.3) costs no memory: 65,535 packet ids of 64 KiB each would be 4 GiB.
func TestBrokerThatNeverReleasesWhatItSends(t *testing.T) {
	const each, n = 32 << 10, 1000
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	t.Cleanup(func() { l.Close(); serving.Wait() })
	serving.Go(func() {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		for {
			p, err := packets.ReadPacket(conn)
			if err != nil {
				return
			}
			switch p := p.(type) {
			case *packets.ConnectPacket:
				packets.NewControlPacket(packets.Connack).Write(conn)
			case *packets.SubscribePacket:
				a := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
				a.MessageID, a.ReturnCodes = p.MessageID, []byte{1}
				a.Write(conn)
				serving.Go(func() {
					for i := range n {
						m := publishOf("valley/from", each)
						m.Qos, m.MessageID = 2, uint16(1+i)
						if m.Write(conn) != nil {
							return
						}
					}
				})
			}
		}
	})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	r := run(t, newMesh(t, MeshOptions{BrokerURL: "tcp://" + l.Addr().String()}), &adaptertest.Host{})
	r.await(t, "all were looked at", func() bool { return r.Counts()["not-json"] == n })
	runtime.GC()
	runtime.ReadMemStats(&after)
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 8<<20 {
		t.Errorf("%d MiB are held of %d MiB that came", grown>>20, n*each>>20)
	}
}
