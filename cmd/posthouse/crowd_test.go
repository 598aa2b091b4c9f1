package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters/broker"
	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// crowd is many gateways on one trunk: the program's own trunk links, each with a
// connection of its own, and behind each no bridge but a booth.
type crowd struct {
	t      *testing.T
	booths []*booth
}

// booth takes what its trunk link brings, and keeps it.
type booth struct {
	call     string
	link     *broker.Trunk
	stations []string

	mu     sync.Mutex
	up     bool
	got    []message.Message
	states []string // of its link, for a test that fails
}

// gather starts n gateways that hear so many stations each and believe who is in
// the trust file now; then it lists their keys there.
func gather(t *testing.T, trunk, trust string, n, stations int) *crowd {
	t.Helper()
	c := &crowd{t: t}
	names := newMultitude(t, trunk, n)
	believed := filepath.Join(t.TempDir(), "trust.jwk")
	lines, err := os.ReadFile(trust)
	if err == nil {
		err = os.WriteFile(believed, lines, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	names.addTo(trust)
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	t.Cleanup(func() {
		cancel()
		running.Wait()
	})
	for i, call := range names.calls {
		b := &booth{call: call}
		for k := range stations {
			b.stations = append(b.stations, names.station(i, k))
		}
		if b.link, err = broker.NewTrunk(broker.TrunkOptions{
			Name: "far", Call: call, BrokerURL: "tcp://" + trunk, Key: names.keys[i], TrustFile: believed,
			Groups: []string{"ALL"}, Meshes: []string{meshOf(i)},
		}); err != nil {
			t.Fatal(err)
		}
		b.announce(i, 1)
		c.booths = append(c.booths, b)
		running.Go(func() { _ = b.link.Run(ctx, b) }) // it ends with ctx
	}
	running.Go(func() { c.live(ctx) })
	return c
}

func meshOf(gateway int) string { return fmt.Sprint("m", gateway) }

// live has the counters of all grow until ctx ends.
func (c *crowd) live(ctx context.Context) {
	beat := time.NewTicker(presence.Every / 2)
	defer beat.Stop()
	for count := uint64(2); ; count++ {
		select {
		case <-ctx.Done():
			return
		case <-beat.C:
			for i, b := range c.booths {
				b.announce(i, count)
			}
		}
	}
}

func (b *booth) announce(i int, count uint64) {
	b.link.Announce([]presence.Say{{Mesh: meshOf(i), Call: b.call, Boot: 1, Count: count, MeshUp: true, Transmits: true}})
	var heard []link.FarHearing
	for _, s := range b.stations {
		heard = append(heard, link.FarHearing{Call: s, Gateway: b.call, Mesh: meshOf(i), Messaging: true})
	}
	b.link.Report(heard)
}

// count is how many of the crowd are connected, or not.
func (c *crowd) count(up bool) (n int) {
	for _, b := range c.booths {
		b.mu.Lock()
		if b.up == up {
			n++
		}
		b.mu.Unlock()
	}
	return n
}

// complain shows what became of gateways that have not told of all their stations.
func (c *crowd) complain(topics []string) {
	shown := 0
	for _, b := range c.booths {
		told := 0
		for _, s := range b.stations {
			topic, err := envelope.HeardAt(s, b.call).Under("posthouse/1")
			if err != nil {
				c.t.Fatal(err)
			}
			if _, ok := slices.BinarySearch(topics, topic); ok {
				told++
			}
		}
		if told < len(b.stations) && shown < 10 {
			shown++
			b.mu.Lock()
			c.t.Logf("%s told of %d stations; its link: %q", b.call, told, b.states)
			b.mu.Unlock()
		}
	}
}

// gets tells whether a booth was handed a text.
func (b *booth) gets(text string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.ContainsFunc(b.got, func(m message.Message) bool { return m.Text == text })
}

var _ link.TrunkHost = (*booth)(nil) // else Run ends at once

func (b *booth) State(up bool, why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.up = up
	if len(b.states) < 20 {
		b.states = append(b.states, time.Now().Format("04:05.0 ")+why)
	}
}

func (b *booth) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	return b.AcceptMarked(ctx, nil, in...)
}

func (b *booth) AcceptMarked(_ context.Context, _ map[string][]byte, in ...message.Message) ([]link.Verdict, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.got = append(b.got, in...)
	verdicts := make([]link.Verdict, len(in))
	for i := range verdicts {
		verdicts[i].Kept = true
	}
	return verdicts, nil
}

func (b *booth) Draw(_ context.Context, _ string, _, least uint64) (uint64, error) {
	return least, nil
}
func (b *booth) Inbox(context.Context, int) (context.Context, func(), error) {
	return nil, nil, errors.New("a booth is one process")
}
func (b *booth) Mark(context.Context, string) ([]byte, error) { return nil, nil }
func (b *booth) Judge(message.Message) link.Verdict           { return link.Verdict{} }
func (b *booth) Heard(string) []link.Hearing                  { return nil }
func (b *booth) Interest() link.Interest                      { return link.Interest{} }
func (b *booth) Count(string)                                 {}
func (b *booth) TurnedAway(message.Message, string, string)   {}
func (b *booth) Present(presence.Say, bool)                   {}
func (b *booth) Absent(string, uint64)                        {}
func (b *booth) Spoke(string)                                 {}
func (b *booth) Dated(bool)                                   {}
func (b *booth) FarHeard(link.FarHearing)                     {}
func (b *booth) TakenBy(link.Taken)                           {}
func (b *booth) Refuse(string)                                {}
func (b *booth) FarPosition(link.FarPosition)                 {}
func (b *booth) TrustBroken(bool)                             {}
func (b *booth) Trouble(string)                               {}
func (b *booth) Trusts(func(string, string) bool, []string)   {}

// gazette notes when each topic of a trunk was first said since it opened.
type gazette struct {
	opened time.Time
	mu     sync.Mutex
	first  map[string]time.Duration
}

func readAll(t *testing.T, trunk string) *gazette {
	t.Helper()
	g := &gazette{opened: time.Now(), first: map[string]time.Duration{}}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + trunk).SetClientID("gazette").SetConnectTimeout(5 * time.Second))
	if err := wait(client.Connect()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { client.Disconnect(100) })
	if err := wait(client.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		g.mu.Lock()
		defer g.mu.Unlock()
		if _, ok := g.first[m.Topic()]; !ok {
			g.first[m.Topic()] = time.Since(g.opened)
		}
	})); err != nil {
		t.Fatal(err)
	}
	return g
}

// of gives when the topics of a kind were first said, in order.
func (g *gazette) of(kind envelope.TopicKind) (when []time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for topic, at := range g.first {
		if strings.HasPrefix(topic, "posthouse/1/"+string(kind)+"/") {
			when = append(when, at)
		}
	}
	slices.Sort(when)
	return when
}

func (g *gazette) topics() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Sorted(maps.Keys(g.first))
}

// busiest is the largest part of all that fell into one window of time.
func busiest(when []time.Duration, window time.Duration) float64 {
	most := 0
	for i := range when {
		n, _ := slices.BinarySearch(when[i:], when[i]+window)
		most = max(most, n)
	}
	return float64(most) / float64(max(len(when), 1))
}

// A thousand gateways lose their broker, which comes back and remembers nothing.
// All of them connect at once; presence and whereabouts come back, the latter
// spread over a minute, and what waited crosses.
func TestThousandGatewaysReconnectToAnEmptiedBroker(t *testing.T) {
	gateways, stations := 200, 2 // as many as the race detector bears
	if patient() {
		gateways, stations = 1000, 50
	}
	r := found(t, brokertest.Mosquitto(t, "persistence false", "max_queued_messages 0"))
	began := time.Now()
	c := gather(t, r.trunk.Addr, r.trust, gateways, stations)
	if !becomes(2*time.Minute, func() bool { return c.count(true) == gateways }) {
		t.Fatalf("only %d of %d connected", c.count(true), gateways)
	}
	t.Logf("%d gateways connected after %v", gateways, time.Since(began).Round(time.Millisecond))
	valley := r.open(valleyGate, "valley", r.trunk.Addr)
	hill := r.open(hillGate, "hill", r.trunk.Addr)
	r.meet()
	before := max(valley.rss(), hill.rss())

	r.trunk.Kill()
	for _, d := range []*process{valley, hill} {
		d.awaitLog("link is down", "link=far")
	}
	await(t, "all to notice", func() bool { return c.count(false) == gateways })
	across := r.write(r.alder, r.birch, "waited for the broker")
	crowded := c.booths[gateways/2]
	r.write(r.alder, &station{call: crowded.stations[1]}, "to one of the thousand")
	r.trunk.Restart()
	g := readAll(t, r.trunk.Addr)

	if !becomes(2*time.Minute, func() bool { return c.count(true) == gateways && len(g.of(envelope.OfPresence)) == gateways+2 }) {
		t.Fatalf("%d connected, %d told that they are there", c.count(true), len(g.of(envelope.OfPresence)))
	}
	there := g.of(envelope.OfPresence)
	r.birch.expectText("waited for the broker")
	r.alder.expectAck(across)
	t.Logf("all are back after %v; the text crossed and was acknowledged after %v", there[len(there)-1].Round(time.Millisecond), time.Since(g.opened).Round(time.Millisecond))
	if after := max(valley.rss(), hill.rss()); after > before+64<<20 {
		t.Errorf("memory of a gateway grew from %d to %d MiB", before>>20, after>>20)
	} else {
		t.Logf("memory of a gateway: %d MiB before, %d MiB after", before>>20, after>>20)
	}
	if heard := g.of(envelope.OfHeard); len(heard) == gateways*stations+2 && time.Since(g.opened) < 30*time.Second {
		t.Errorf("all whereabouts were told within %v", time.Since(g.opened))
	}
	if !patient() {
		t.Log("the whereabouts take a minute: set POSTHOUSE_LONG=1")
		return
	}
	whole := gateways*stations + 2
	if !becomes(2*time.Minute, func() bool { return len(g.of(envelope.OfHeard)) >= whole }) {
		c.complain(g.topics())
		t.Fatalf("%d of %d whereabouts are back", len(g.of(envelope.OfHeard)), whole)
	}
	heard := g.of(envelope.OfHeard)
	for _, s := range []string{alderCall + "/" + valleyGate, birchCall + "/" + hillGate} {
		if !slices.Contains(g.topics(), "posthouse/1/heard/"+s) {
			t.Errorf("nobody says any more that heard/%s", s)
		}
	}
	if last := heard[len(heard)-1]; last > there[len(there)-1]+100*time.Second {
		t.Errorf("the last whereabouts came after %v", last)
	}
	if part := busiest(heard, 5*time.Second); part > 0.35 {
		t.Errorf("%.0f %% of the whereabouts came within 5 s", 100*part)
	}
	t.Logf("%d whereabouts: half after %v, all after %v, at most %.1f %% within one second",
		len(heard), heard[len(heard)/2].Round(time.Second), heard[len(heard)-1].Round(time.Second), 100*busiest(heard, time.Second))
	await(t, "the text to one of the thousand", func() bool { return crowded.gets("to one of the thousand") })
	t.Logf("memory of a gateway at the end: %d MiB", max(valley.rss(), hill.rss())>>20)
}
