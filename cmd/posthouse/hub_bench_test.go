//go:build hub

package main

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/message"
	"posthouse/queue/etcdstore/etcdtest"
)

// The figures of deploy/hub/README.md that are of whole processes, with three members
// of etcd, as they are shipped:
//
//	go test -tags hub ./cmd/posthouse -run '^$' -bench Hub -benchtime 1x

// prompt are settings of a Mosquitto that sends what is small at once: else a PUBACK may
// wait 40 ms for the other side's TCP acknowledgement (mosquitto.conf(5), set_tcp_nodelay).
var prompt = append([]string{"set_tcp_nodelay true"}, hasty...)

// wholeHub starts the processes of a hub with a mail server each, on a trunk, and
// gives where the mail servers listen. The first one leads.
func wholeHub(b *testing.B, processes int, trunk string, key, trust string) (all []*process, smtp []string) {
	b.Helper()
	c := etcdtest.Start(b, 3)
	valley := brokertest.Mosquitto(b, hasty...)
	for range processes {
		smtp = append(smtp, freePort(b))
		d := newDaemon(b, append(append(mesh("valley", valley.Addr), trunkOf(gatewayCall, "valley", trunk, key, trust)...),
			"POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ","), "POSTHOUSE_LINKS=valley,far,post", "POSTHOUSE_RATE=1000000/1s",
			"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_ALLOW=*@club.example", "POSTHOUSE_POST_LISTEN="+smtp[len(smtp)-1],
			"POSTHOUSE_POST_SMARTHOST=127.0.0.1:9", "POSTHOUSE_POST_SMARTHOST_TLS=none")...)
		d.ship()
		d.start()
		d.awaitUp("far")
		all = append(all, d)
	}
	all[0].awaitUp("valley", "far")
	return all, smtp
}

// BenchmarkHubMail: 64 mail servers write to one, two and four processes, each the next
// mail when it has its 250. The stations are not heard, so all is held.
func BenchmarkHubMail(b *testing.B) {
	const writers, mails = 64, 6000
	for _, processes := range []int{1, 2, 4} {
		b.Run(fmt.Sprint("processes=", processes), func(b *testing.B) {
			trunk := brokertest.Mosquitto(b, prompt...)
			key, trust := keys(b, gatewayCall)
			hubs, smtp := wholeHub(b, processes, trunk.Addr, key[gatewayCall], trust)
			var next atomic.Int64
			for b.Loop() {
				var all sync.WaitGroup
				waits, before, begun := newStopwatch(), cpuOf(hubs), time.Now()
				for w := range writers {
					all.Go(func() {
						for i := next.Add(1); i <= mails; i = next.Add(1) {
							id, to := strconv.FormatInt(i, 10), fmt.Sprintf("n0qrd-%d@radio.example", i%15+1)
							waits.start(id)
							err := mailOver(smtp[w%processes], fmt.Sprintf("w%d@club.example", w), to,
								fmt.Sprintf("From: w%d@club.example\r\nTo: %s\r\nMessage-Id: <%s@club.example>\r\n\r\nmail %s\r\n", w, to, id, id))
							if err != nil {
								b.Error(err)
								return
							}
							waits.stop(id)
						}
					})
				}
				all.Wait()
				b.ReportMetric(mails/time.Since(begun).Seconds(), "mails/s")
				b.ReportMetric(float64((cpuOf(hubs)-before).Microseconds())/mails, "cpu-us/mail")
				waits.report(b)
			}
		})
	}
}

// BenchmarkHubTrunk: so many gateways hand texts to a hub by its trunk, 200 of them on
// their way at once, or 2, which shows what a text waits that is nearly alone. A text has come when its gateway has the custody receipt; one
// whose receipt does not come within the gateways' own time is handed in again.
func BenchmarkHubTrunk(b *testing.B) {
	for _, c := range []struct{ processes, gateways, atOnce, texts int }{
		{1, 10, 200, 10_000}, {1, 100, 200, 10_000}, {1, 1000, 200, 10_000}, {2, 100, 200, 10_000}, {1, 1000, 2, 1000},
	} {
		b.Run(fmt.Sprintf("processes=%d/gateways=%d/once=%d", c.processes, c.gateways, c.atOnce), func(b *testing.B) {
			trunk := brokertest.Mosquitto(b, prompt...)
			key, trust := keys(b, gatewayCall)
			crowd := newMultitude(b, trunk.Addr, c.gateways)
			crowd.addTo(trust)
			hubs, _ := wholeHub(b, c.processes, trunk.Addr, key[gatewayCall], trust)
			for b.Loop() {
				before, begun := cpuOf(hubs), time.Now()
				waits, again := crowd.handIn(c.texts, c.atOnce, 0)
				b.ReportMetric(float64(c.texts)/time.Since(begun).Seconds(), "texts/s")
				b.ReportMetric(float64((cpuOf(hubs)-before).Microseconds())/float64(c.texts), "cpu-us/text")
				b.ReportMetric(float64(again), "again")
				waits.report(b)
			}
		})
	}
}

// handIn has the gateways in turn hand texts for a mail address to the hub, so many of
// them at once and with a pause between two, and waits for all custody receipts.
func (m *multitude) handIn(texts, atOnce int, pause time.Duration) (waits *stopwatch, again int64) {
	waits = newStopwatch()
	free, done := make(chan struct{}, atOnce), make(chan struct{})
	var came, repeated atomic.Int64
	var mu sync.Mutex
	late := map[string]*time.Timer{}
	receipt := func(_ mqtt.Client, p mqtt.Message) {
		about, ok := aboutOf(p.Payload())
		if !ok {
			return // it says what became of a text, and may come first
		}
		mu.Lock()
		timer := late[about]
		delete(late, about)
		mu.Unlock()
		if timer == nil {
			return
		}
		timer.Stop()
		waits.stop(about)
		if <-free; came.Add(1) == int64(texts) {
			close(done)
		}
	}
	if err := wait(m.client.Subscribe("posthouse/1/in/#", 1, receipt)); err != nil {
		m.b.Fatal(err)
	}
	pace := time.NewTicker(max(pause, time.Nanosecond))
	defer pace.Stop()
	for i := range texts {
		free <- struct{}{}
		<-pace.C
		id := fmt.Sprint("t", i)
		waits.start(id)
		mu.Lock()
		late[id] = time.AfterFunc(saidAgain, func() {
			repeated.Add(1)
			m.say(i%len(m.calls), id, i)
			mu.Lock()
			defer mu.Unlock()
			if timer := late[id]; timer != nil {
				timer.Reset(saidAgain)
			}
		})
		mu.Unlock()
		m.say(i%len(m.calls), id, i)
	}
	select {
	case <-done:
	case <-time.After(2 * patience):
		m.b.Fatalf("%d of %d receipts have come", came.Load(), texts)
	}
	return waits, repeated.Load()
}

// saidAgain is after how long a gateway without a receipt hands a text in again.
const saidAgain = 5 * time.Second

// say hands one text to the hub.
func (m *multitude) say(gateway int, id string, n int) {
	from := m.station(gateway, n%50)
	text := message.Message{From: from, To: "ann@club.example", OriginID: id, Text: fmt.Sprintf("text %s: the road is open, send two people", id), Precedence: message.Routine}
	at := envelope.Inbox(gatewayCall)
	wire, err := envelope.Seal(m.keys[gateway], envelope.Event{
		ID: id, Source: m.calls[gateway], Root: "posthouse/1", Topic: at, Number: uint64(time.Now().UnixMilli()) + m.count.Add(1),
		Signed: time.Now().UTC().Truncate(time.Millisecond), Lifetime: 24 * time.Hour, Body: envelope.NewText(&text, "m"+strconv.Itoa(gateway), m.calls[gateway]),
	})
	if err != nil {
		m.b.Error(err)
		return
	}
	topic, err := at.Under("posthouse/1")
	if err != nil {
		m.b.Error(err)
		return
	}
	m.client.Publish(topic, 1, false, wire)
}

// aboutOf reads which text a custody receipt is about; what was refused is none.
func aboutOf(wire []byte) (string, bool) {
	var signed struct {
		Payload string `json:"payload"`
	}
	var event struct {
		Type string           `json:"type"`
		Data envelope.Custody `json:"data"`
	}
	if json.Unmarshal(wire, &signed) != nil || json.Unmarshal([]byte(signed.Payload), &event) != nil {
		return "", false
	}
	return event.Data.About, event.Type == envelope.TypeCustody && event.Data.Code == ""
}

func cpuOf(hubs []*process) (all time.Duration) {
	for _, d := range hubs {
		all += d.cpu()
	}
	return all
}

func (w *stopwatch) report(b *testing.B) {
	b.ReportMetric(millis(w.percentile(50)), "ms-p50")
	b.ReportMetric(millis(w.percentile(99)), "ms-p99")
	b.ReportMetric(0, "ns/op")
}
