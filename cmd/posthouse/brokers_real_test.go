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

// Two brokers that are bridged as the README says are one: gateways at either meet,
// and when one broker dies its gateway goes on at the other.
func TestTrunkOnBridgedBrokers(t *testing.T) {
	first := brokertest.Mosquitto(t)
	second := brokertest.Mosquitto(t, "connection first", "address "+first.Addr, "topic posthouse/1/# both 1", "cleansession false",
		"remote_clientid second", "restart_timeout 1")
	r := found(t, first)
	r.open(valleyGate, "valley", first.Addr+",tcp://"+second.Addr)
	r.open(hillGate, "hill", second.Addr)
	r.meet()
	r.cross(r.alder, r.birch, "over the bridge")
	r.cross(r.birch, r.alder, "and over it again")

	first.Kill()
	id := r.write(r.alder, r.birch, "the bridge is down")
	r.birch.expectText("the bridge is down")
	r.alder.expectAck(id)
	r.once(r.birch, "over the bridge", "the bridge is down")
}
