package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
)

// The figures of the trunk, against real brokers and the program as it is
// shipped:
//
//	go test ./cmd/posthouse -run '^$' -bench Trunk -benchtime 1x

// BenchmarkTrunkLatency: 50 direct texts a second from mesh to mesh, for 20 s.
func BenchmarkTrunkLatency(b *testing.B) {
	const rate, texts = 50, 1000
	const quick = "persistence false" // else this Mosquitto would write to the disk at each message
	valley, hill, trunk := brokertest.Mosquitto(b, quick), brokertest.Mosquitto(b, quick), brokertest.Mosquitto(b, quick)
	key, trust := keys(b, valleyGate, hillGate)
	open := func(call, name, broker string) *process {
		d := newDaemon(b, append(mesh(name, broker), trunkOf(call, name, trunk.Addr, key[call], trust)...)...)
		d.ship()
		d.start()
		d.awaitUp(name, "far")
		return d
	}
	open(valleyGate, "valley", valley.Addr)
	open(hillGate, "hill", hill.Addr)
	alder, birch := join(b, valley.Addr, "valley", alderCall).servedBy(valleyGate), join(b, hill.Addr, "hill", birchCall).servedBy(hillGate)
	alder.position()
	birch.position()
	alder.say(said{ID: "first", To: birchCall, Text: "first"})
	alder.expectAck("first")
	carried := countBytes(b, trunk.Addr)

	for b.Loop() {
		carried.Store(0)
		there, back := newStopwatch(), newStopwatch()
		birch.also(func(f said) { there.stop(strings.TrimPrefix(f.Text, "text ")) })
		alder.also(func(f said) { back.stop(f.Ack) })
		pace := time.NewTicker(time.Second / rate)
		for i := range texts {
			<-pace.C
			id := strconv.Itoa(i)
			there.start(id)
			back.start(id)
			alder.publish(said{ID: id, From: alderCall, To: birchCall, Text: "text " + id})
		}
		pace.Stop()
		await(b, "all receipts", func() bool { return back.stopped() >= texts })
		b.ReportMetric(millis(there.percentile(50)), "text-p50-ms")
		b.ReportMetric(millis(there.percentile(99)), "text-p99-ms")
		b.ReportMetric(millis(back.percentile(50)), "receipt-p50-ms")
		b.ReportMetric(millis(back.percentile(99)), "receipt-p99-ms")
		b.ReportMetric(float64(carried.Load())/texts, "trunk-B/message")
		b.ReportMetric(0, "ns/op")
	}
}

func trunkOf(call, name, broker, key, trust string) []string {
	return []string{
		"POSTHOUSE_CALLSIGN=" + call, "POSTHOUSE_LINKS=" + name + ",far", "POSTHOUSE_" + strings.ToUpper(name) + "_MESH=" + name,
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://" + broker, "POSTHOUSE_FAR_SIGNING_KEY_FILE=" + key,
		"POSTHOUSE_FAR_TRUST_FILE=" + trust, "POSTHOUSE_RATE=1000000/10m", "POSTHOUSE_LOG_LEVEL=warn",
	}
}

func millis(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// countBytes counts the topics and payloads that are published on a broker.
func countBytes(b *testing.B, broker string) *atomic.Int64 {
	var n atomic.Int64
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("scale").SetConnectTimeout(5 * time.Second))
	if err := wait(c.Connect()); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.Disconnect(100) })
	if err := wait(c.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) { n.Add(int64(len(m.Topic()) + len(m.Payload()))) })); err != nil {
		b.Fatal(err)
	}
	return &n
}

// stopwatch times what begins here and ends elsewhere.
type stopwatch struct {
	mu    sync.Mutex
	begun map[string]time.Time
	took  []time.Duration
}

func newStopwatch() *stopwatch { return &stopwatch{begun: map[string]time.Time{}} }

func (w *stopwatch) start(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.begun[id] = time.Now()
}

func (w *stopwatch) stop(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if at, ok := w.begun[id]; ok {
		w.took = append(w.took, time.Since(at))
		delete(w.begun, id)
	}
}

func (w *stopwatch) stopped() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.took)
}

func (w *stopwatch) percentile(p int) time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	slices.Sort(w.took)
	return w.took[min(len(w.took)*p/100, len(w.took)-1)]
}

// BenchmarkTrunkOfManyGateways: the memory and processor time of one gateway on a
// broker with so many others, each of which hears 50 stations.
func BenchmarkTrunkOfManyGateways(b *testing.B) {
	for _, n := range []int{10, 100, 1000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) { manyGateways(b, n) })
	}
}

func manyGateways(b *testing.B, n int) {
	valley, trunk := brokertest.Mosquitto(b), brokertest.Mosquitto(b, "persistence false")
	crowd := newMultitude(b, trunk.Addr, n)
	key, trust := keys(b, valleyGate)
	crowd.addTo(trust)
	empty := anonOf(b, trunk.Pid())
	crowd.hear()
	remembered := anonOf(b, trunk.Pid()) - empty
	d := newDaemon(b, append(mesh("valley", valley.Addr), append(trunkOf(valleyGate, "valley", trunk.Addr, key[valleyGate], trust),
		"POSTHOUSE_LINKS=valley,far,post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST=127.0.0.1:9", "POSTHOUSE_POST_SMARTHOST_TLS=none")...)...)
	d.ship()
	d.start()
	d.awaitUp("valley", "far")
	alder := join(b, valley.Addr, "valley", alderCall).servedBy(valleyGate)
	alder.position()
	for i := range 10 { // it looks for ten stations
		alder.say(said{ID: fmt.Sprint("l", i), To: crowd.station(i%n, i), Text: "hello"})
	}
	for b.Loop() {
		crowd.live(2) // everybody is known to be alive
		before := d.cpu()
		const rounds = 2
		crowd.live(rounds)
		used := d.cpu() - before
		b.ReportMetric(used.Seconds()*1000/(rounds*20), "cpu-ms/s")
		b.ReportMetric(float64(d.rss())/(1<<20), "MiB")
		b.ReportMetric(float64(remembered)/float64(n*50), "broker-B/whereabouts")
		b.ReportMetric(0, "ns/op")
	}
}

// cpu is the processor time that the daemon has used (proc(5), stat: fields 14
// and 15, in hundredths of a second).
func (d *process) cpu() time.Duration {
	d.t.Helper()
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", d.cmd.Process.Pid))
	if err != nil {
		d.t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(stat), ") ")
	fields := strings.Fields(rest)
	user, err1 := strconv.Atoi(fields[11])
	system, err2 := strconv.Atoi(fields[12])
	if err1 != nil || err2 != nil {
		d.t.Fatalf("what is %q?", stat)
	}
	return time.Duration(user+system) * 10 * time.Millisecond
}

// multitude is many gateways that only say that they are there.
type multitude struct {
	b      testing.TB
	client mqtt.Client
	calls  []string
	keys   []envelope.Key
	count  atomic.Uint64
}

func newMultitude(b testing.TB, broker string, n int) *multitude {
	m := &multitude{b: b}
	for i := range n {
		k, err := envelope.MakeKey()
		if err != nil {
			b.Fatal(err)
		}
		m.calls, m.keys = append(m.calls, callOf(i, 11+i/suffixes%5, i/suffixes/5)), append(m.keys, k)
	}
	m.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("multitude").SetConnectTimeout(5 * time.Second))
	if err := wait(m.client.Connect()); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { m.client.Disconnect(100) })
	return m
}

// suffixes is how many call signs there are that belong to nobody: N0QRA to N0QUZ.
const suffixes = 4 * 26

// callOf makes a call sign; beyond the first it has a portable mark.
func callOf(n, ssid, mark int) string {
	c := "N0Q" + string([]byte{byte('R' + n/26%4), byte('A' + n%26)})
	if mark > 0 {
		c += "/M" + strconv.Itoa(mark)
	}
	return c + "-" + strconv.Itoa(ssid)
}

// station is one of those that a gateway hears.
func (m *multitude) station(gateway, i int) string {
	n := gateway*50 + i
	return callOf(n, 1+n/suffixes%6, n/suffixes/6)
}

func (m *multitude) addTo(trust string) {
	f, err := os.OpenFile(filepath.Clean(trust), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		m.b.Fatal(err)
	}
	for i, call := range m.calls {
		fmt.Fprintln(f, m.keys[i].Public().JWK(call))
	}
	if err := f.Close(); err != nil {
		m.b.Fatal(err)
	}
}

func (m *multitude) state(i int, at envelope.Topic, body envelope.Body) {
	count, now := m.count.Add(1), time.Now()
	wire, err := envelope.Seal(m.keys[i], envelope.Event{
		ID: fmt.Sprint("s", count), Source: m.calls[i], Root: "posthouse/1", Topic: at, Number: uint64(now.UnixMilli()) + count,
		Signed: now.UTC().Truncate(time.Millisecond), Lifetime: 24 * time.Hour, Body: body,
	})
	if err != nil {
		m.b.Fatal(err)
	}
	topic, err := at.Under("posthouse/1")
	if err != nil {
		m.b.Fatal(err)
	}
	if t := m.client.Publish(topic, 1, true, wire); count%100 == 0 {
		if err := wait(t); err != nil {
			m.b.Fatal(err)
		}
	}
}

// hear has each gateway tell of its stations.
func (m *multitude) hear() {
	for i, call := range m.calls {
		for k := range 50 {
			s := m.station(i, k)
			m.state(i, envelope.HeardAt(s, call), envelope.Heard{Station: s, Mesh: "m" + strconv.Itoa(i), Messaging: true})
		}
	}
}

// live lets some rounds of announcements pass, 20 s each.
func (m *multitude) live(rounds int) {
	pace := time.NewTicker(20 * time.Second / time.Duration(len(m.calls)))
	defer pace.Stop()
	for range rounds {
		for i, call := range m.calls {
			<-pace.C
			mesh := "m" + strconv.Itoa(i)
			m.state(i, envelope.PresenceAt(mesh, call), envelope.Presence{Mesh: mesh, Boot: 1, Counter: m.count.Load() + 1, Up: true, Transmits: true, Groups: []string{"ALL"}})
		}
	}
}
