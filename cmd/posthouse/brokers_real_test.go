package main

import (
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
)

// Two gateways list the same two brokers, which are joined by nothing. The first is
// killed while a direct text waits for its station: text and receipt cross by the
// second.
func TestTrunkMovesToTheSecondBroker(t *testing.T) {
	r := found(t, brokertest.Mosquitto(t))
	second := brokertest.Mosquitto(t)
	list := r.trunk.Addr + ",tcp://" + second.Addr
	r.open(valleyGate, "valley", list)
	r.open(hillGate, "hill", list)
	r.meet()

	r.trunk.Kill()
	began := time.Now()
	id := r.write(r.alder, r.birch, "by the other way")
	r.birch.expectText("by the other way")
	r.alder.expectAck(id)
	took := time.Since(began)
	t.Logf("text and receipt crossed %v after the first broker was killed", took.Round(time.Millisecond))
	if took > time.Minute {
		t.Errorf("it took %v", took)
	}
	r.cross(r.birch, r.alder, "and an answer")
	r.once(r.birch, "by the other way")
}
