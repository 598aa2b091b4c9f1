package main

import (
	"strings"
	"testing"

	"posthouse/adapters/broker/brokertest"
)

// Two gateways of the hill, each with a broker of its own: what birch is told goes
// out by the first, and only the second hears it acknowledge.
func TestAckThatOnlyTheSecondGatewayHears(t *testing.T) {
	r := found(t, brokertest.Mosquitto(t))
	beyond := brokertest.Mosquitto(t)
	r.open(valleyGate, "valley", r.trunk.Addr)
	first := r.open(hillGate, "hill", r.trunk.Addr)
	r.meet()
	ear := eavesdrop(t, r.trunk.Addr)
	r.open(secondGate, "hill", r.trunk.Addr, "POSTHOUSE_HILL_BROKER_URL="+beyond.URL)
	ear.event("posthouse/1/bridge/hill/"+secondGate, "presence") // now the first knows of it
	echo := join(t, beyond.Addr, "hill", birchCall).servedBy(secondGate)
	r.birch.silence(true)
	r.birch.also(func(f said) {
		if f.To == birchCall && f.Text != "" {
			echo.publish(said{From: birchCall, To: f.From, Ack: f.ID})
		}
	})
	id := r.write(r.alder, r.birch, "acknowledged beyond the ridge")
	r.birch.expectText("acknowledged beyond the ridge")
	r.alder.expectAck(id)
	first.awaitLog("receipt", "state=delivered", "from="+birchCall)
	r.once(r.birch, "acknowledged beyond the ridge")
}

// Texts for a station that nobody has heard wait, and go out where it turns up.
func TestHeldTextsGoWhereTheStationTurnsUp(t *testing.T) {
	r := found(t, brokertest.Mosquitto(t))
	valley := r.open(valleyGate, "valley", r.trunk.Addr)
	r.open(hillGate, "hill", r.trunk.Addr)
	r.alder.position()
	texts := []string{"where are you", "we wait at the hut", "bring bread"}
	var ids []string
	for _, text := range texts {
		ids = append(ids, r.write(r.alder, r.birch, text))
	}
	await(t, "all to be held", func() bool { return strings.Count(valley.tell("queue", "list"), "held") >= len(texts) })
	r.birch.position()
	for i, text := range texts {
		r.birch.expectText(text)
		r.alder.expectAck(ids[i])
	}
	r.once(r.birch, texts...)
}
