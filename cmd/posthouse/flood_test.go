package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/emersion/go-smtp"

	"posthouse/adapters"
	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
)

// floodTexts is how many each input gets; POSTHOUSE_LONG asks for the long form.
func floodTexts() int {
	if patient() {
		return 50_000
	}
	return 1_500
}

// floodGrowth is how much more memory of its own (RssAnon) the daemon may have
// with all inputs' texts in the queue than with an empty one, in bytes.
const floodGrowth = 48 << 20

// flooded is a gateway with an input of each kind, a dead output to which all of
// them lead, and two meshes that have nothing to do with it.
type flooded struct {
	*process
	valley, hill, trunk *brokertest.Broker
	creek, smtp         string // of its own servers
	aprs                *lineServer
	far                 envelope.Key
	fir                 *station // the hill's client
	pine, cedar         *station // of the lake and the pond
	arrived             arrivals
}

// arrivals counts what has come out at the hill.
type arrivals struct {
	mu     sync.Mutex
	seen   map[string]bool
	from   map[string]int // texts by their input
	copies int            // beyond the first
}

func (a *arrivals) note(text string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	_, input, ok := strings.Cut(text, " by ")
	switch {
	case a.seen[text]:
		a.copies++
	case ok && strings.HasPrefix(text, "flood "):
		a.seen[text] = true
		a.from[input]++
	}
}

// all tells whether n texts of each input are there.
func (a *arrivals) all(n int) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, f := range floods {
		if a.from[f.input] < n {
			return false
		}
	}
	return true
}

func (a *arrivals) String() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	var s strings.Builder
	for _, f := range floods {
		fmt.Fprintf(&s, "%d by %s, ", a.from[f.input], f.input)
	}
	fmt.Fprintf(&s, "%d copies", a.copies)
	return s.String()
}

func newFlooded(t *testing.T) *flooded {
	x := &flooded{
		valley: brokertest.Mosquitto(t, hasty...), hill: brokertest.Mosquitto(t, append([]string{"autosave_on_changes false"}, roomy...)...),
		trunk: brokertest.Mosquitto(t, hasty...),
		creek: freePort(t), smtp: freePort(t), aprs: serveLines(t),
		arrived: arrivals{seen: map[string]bool{}, from: map[string]int{}},
	}
	key, trust := keys(t, gatewayCall, "N0QRH-10")
	x.far = keyIn(t, key["N0QRH-10"])
	lake, pond := freePort(t), freePort(t)
	var settings []string
	for _, s := range [][]string{mesh("valley", x.valley.Addr), ownMesh("creek", x.creek), mesh("hill", x.hill.Addr), ownMesh("lake", lake), ownMesh("pond", pond)} {
		settings = append(settings, s...)
		name, _, _ := strings.Cut(strings.TrimPrefix(s[0], "POSTHOUSE_"), "_")
		settings = append(settings, "POSTHOUSE_"+name+"_MESH="+strings.ToLower(name))
	}
	x.process = newDaemon(t, append(settings,
		"POSTHOUSE_LINKS=valley,creek,aprs,post,far,hill,lake,pond", "POSTHOUSE_RATE=100000/1s", "POSTHOUSE_LOG_LEVEL=warn",
		"POSTHOUSE_HILL_RESENDS=0",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+x.aprs.address, fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)),
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN="+x.smtp, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_ALLOW=*@county.example",
		"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL="+x.trunk.URL, "POSTHOUSE_FAR_SIGNING_KEY_FILE="+key[gatewayCall], "POSTHOUSE_FAR_TRUST_FILE="+trust)...)
	x.ship()
	x.start()
	x.fir, x.pine, x.cedar = join(t, x.hill.Addr, "hill", "N0QTF-1"), join(t, lake, "lake", "N0QTP-1"), join(t, pond, "pond", "N0QTC-1")
	x.fir.also(func(f said) { x.arrived.note(f.Text) })
	x.awaitUp("valley", "hill", "lake", "pond", "far", "aprs")
	x.pine.position()
	x.cedar.position()
	for i := range 26 * 5 { // an APRS text goes only to who was heard
		_, to, _ := floodText("", i)
		x.fir.say(said{From: to})
	}
	heard := `posthouse_stations_heard{link="hill"}`
	if !becomes(patience, func() bool { return x.metric(heard) >= 26*5 }) { // before its broker is stopped
		t.Fatalf("%g stations were heard", x.metric(heard))
	}
	return x
}

// floodText is number i: from whom, to whom and what, many to many.
func floodText(input string, i int) (from, to, text string) {
	who := "N0QR"
	if input == "aprs" { // nobody who was heard by radio is believed there
		who = "N0QU"
	}
	return fmt.Sprintf("%s%c-%d", who, 'A'+i%20, 1+i/20%15), fmt.Sprintf("N0QS%c-%d", 'A'+i%26, 1+i/26%5), fmt.Sprintf("flood %d by %s", i, input)
}

// floods are the links that are flooded, each with the name that its texts bear.
var floods []flood

type flood struct {
	link, input string
	do          func(x *flooded, n int)
}

func init() { // what they do asks for the list
	floods = []flood{
		{"valley", "valley", func(x *flooded, n int) { x.overMQTT(x.valley.Addr, "valley", n) }},
		{"creek", "creek", func(x *flooded, n int) { x.overMQTT(x.creek, "creek", n) }},
		{"post", "mail", (*flooded).overSMTP},
		{"aprs", "aprs", (*flooded).overAPRS},
		{"far", "trunk", (*flooded).overTrunk},
	}
}

// TestFloodWithADeadOutput: texts on each input as fast as they come while their
// output is dead. Memory stays flat, nothing that was taken over is lost, and
// other links keep their pace.
func TestFloodWithADeadOutput(t *testing.T) {
	t.Parallel()
	n := floodTexts()
	x := newFlooded(t)
	x.hill.Stop()
	x.await("the hill to be down", func() bool { return x.metric(`posthouse_link_up{link="hill"}`) == 0 })
	x.chat(t, 1, nil) // once this gateway has made sure that nobody else transmits for these meshes
	calm := x.chat(t, 20, nil)
	before := x.anon()
	for _, f := range floods {
		begun := time.Now()
		over := make(chan struct{})
		go func() { defer close(over); f.do(x, n) }()
		pace := x.chat(t, 5, over)
		<-over
		series := fmt.Sprintf(`posthouse_messages_accepted_total{link=%q}`, f.link)
		if !becomes(patience+time.Duration(n)*10*time.Millisecond, func() bool { return x.metric(series) >= float64(n) }) {
			t.Fatalf("%s: %g of %d texts were taken over\n%s", f.link, x.metric(series), n, x.counted(f.link))
		}
		t.Logf("%-6s %d texts in %v; %d KiB of its own memory; others' round trip: median %v, slowest %v (calm: %v, %v)", f.link, n,
			time.Since(begun).Round(time.Millisecond), x.anon()>>10, pace.percentile(50), pace.percentile(100), calm.percentile(50), calm.percentile(100))
		if slow := pace.percentile(50); slow > 5*time.Second {
			t.Errorf("%s: the others' texts took %v there and back", f.link, slow)
		}
	}
	if grown := x.anon() - before; grown > floodGrowth {
		t.Errorf("memory grew by %d KiB from %d KiB, want at most %d KiB", grown>>10, before>>10, floodGrowth>>10)
	}
	x.drain(t, n, before)
	x.stop()
}

// drain brings the output back: all that each input took over arrives, and memory
// stays flat then, too.
func (x *flooded) drain(t *testing.T, n int, before int64) {
	t.Helper()
	x.hill.Restart()
	if !becomes(2*patience, func() bool { return x.metric(`posthouse_link_up{link="hill"}`) == 1 }) { // a link waits up to 30 s between tries
		t.Fatal("the hill does not come back")
	}
	all, begun, most := n*len(floods), time.Now(), int64(0)
	if !becomes(patience+time.Duration(all)*10*time.Millisecond, func() bool {
		most = max(most, x.anon())
		return x.arrived.all(n)
	}) {
		t.Fatalf("of %d texts by each input arrived %v", n, &x.arrived)
	}
	x.awaitMetric(`posthouse_deliveries_total{link="hill",result="sent"}`, float64(all))
	t.Logf("once the output was back, there arrived in %v %v; at most %d KiB of its own memory meanwhile, %d KiB then",
		time.Since(begun).Round(time.Millisecond), &x.arrived, most>>10, x.anon()>>10)
	if grown := most - before; grown > floodGrowth {
		t.Errorf("memory grew by %d KiB from %d KiB while the queue drained, want at most %d KiB", grown>>10, before>>10, floodGrowth>>10)
	}
}

// counted lists what the metrics say of a link's refusals and losses.
func (x *flooded) counted(link string) string {
	var all []string
	for line := range strings.Lines(x.get("/metrics")) {
		if strings.Contains(line, fmt.Sprintf("link=%q", link)) && strings.HasPrefix(line, "posthouse_messages_") && !strings.HasSuffix(line, " 0\n") {
			all = append(all, line)
		}
	}
	return strings.Join(all, "")
}

// chat has the two quiet meshes write to each other, a text after the ack of the
// one before, at least so many and until over, and times them.
func (x *flooded) chat(t *testing.T, least int, over <-chan struct{}) *stopwatch {
	t.Helper()
	w := newStopwatch()
	for i := 0; ; i++ {
		id := fmt.Sprint("c", time.Now().UnixNano())
		w.start(id)
		x.pine.say(said{ID: id, To: "N0QTC-1", Text: "all well here " + id})
		x.pine.expectAck(id)
		w.stop(id)
		if i+1 < least {
			continue
		}
		select {
		case <-over:
			return w
		default:
			if over == nil {
				return w
			}
		}
	}
}

// anon is the daemon's own memory, in bytes (proc(5), RssAnon): the mapped data
// file is not in it.
func (d *process) anon() int64 {
	d.t.Helper()
	return anonOf(d.t, d.cmd.Process.Pid)
}

func anonOf(t testing.TB, pid int) int64 {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(b), "RssAnon:")
	kib, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return kib << 10
}

// overMQTT publishes with four clients, a hundred at a time each.
func (x *flooded) overMQTT(broker, mesh string, n int) {
	x.spread(4, n, func(worker int, mine []int) error {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID(fmt.Sprint("flood-", worker)).
			SetCleanSession(false).SetConnectTimeout(patience).SetMaxReconnectInterval(100 * time.Millisecond))
		if err := wait(c.Connect()); err != nil {
			return err
		}
		defer c.Disconnect(100)
		var open []mqtt.Token
		for _, i := range mine {
			from, to, text := floodText(mesh, i)
			if open = append(open, c.Publish(mesh+"/from", 1, false, fmt.Sprintf(`{"id":"%d","from":%q,"to":%q,"text":%q}`, i, from, to, text))); len(open) < 100 {
				continue
			}
			for _, token := range open {
				if !token.WaitTimeout(4*patience) || token.Error() != nil {
					return fmt.Errorf("no PUBACK: %w", token.Error())
				}
			}
			open = open[:0]
		}
		for _, token := range open {
			if !token.WaitTimeout(4*patience) || token.Error() != nil {
				return fmt.Errorf("no PUBACK: %w", token.Error())
			}
		}
		return nil
	})
}

// overSMTP hands mails in on ten connections.
func (x *flooded) overSMTP(n int) {
	x.spread(10, n, func(_ int, mine []int) error {
		c, err := smtp.Dial(x.smtp)
		if err != nil {
			return err
		}
		defer c.Close()
		for _, i := range mine {
			_, to, text := floodText("mail", i)
			from := fmt.Sprintf("s%d@county.example", i%300)
			data := fmt.Sprintf("From: %s\r\nTo: %s@radio.example\r\nMessage-Id: <%d@county.example>\r\n\r\n%s\r\n", from, to, i, text)
			if err := c.SendMail(from, []string{to + "@radio.example"}, strings.NewReader(data)); err != nil {
				return err
			}
		}
		return nil
	})
}

// overAPRS has the server say everything in one breath.
func (x *flooded) overAPRS(n int) {
	var b strings.Builder
	for i := range n {
		from, to, text := floodText("aprs", i)
		fmt.Fprintf(&b, "%s>APZPH1,TCPIP*::%-9s:%s{%d\r\n", from, to, text, i)
	}
	x.aprs.say(b.String())
}

// overTrunk is a far gateway that is believed, and has much to say.
func (x *flooded) overTrunk(n int) {
	number := uint64(time.Now().UnixMilli())
	inbox := envelope.Inbox(gatewayCall)
	topic, err := inbox.Under("posthouse/1")
	if err != nil {
		x.t.Error(err)
		return
	}
	x.spread(1, n, func(_ int, mine []int) error { // one gateway, one row of numbers
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(x.trunk.URL).SetClientID("far").SetConnectTimeout(patience))
		if err := wait(c.Connect()); err != nil {
			return err
		}
		defer c.Disconnect(100)
		for _, i := range mine {
			from, to, text := floodText("trunk", i)
			wire, err := envelope.Seal(x.far, envelope.Event{
				ID: fmt.Sprint("N0QRH-10.", i+1), Source: "N0QRH-10", Root: "posthouse/1", Topic: inbox, Number: number + uint64(i),
				Signed: time.Now().UTC().Truncate(time.Millisecond), Lifetime: time.Hour,
				Body: envelope.Text{From: from, To: to, OriginID: fmt.Sprint(i), Text: text, Hops: []string{"N0QRH-10"}},
			})
			if err != nil {
				return err
			}
			if token := c.Publish(topic, 1, false, wire); i%100 == 99 || i == n-1 {
				if !token.WaitTimeout(4*patience) || token.Error() != nil {
					return fmt.Errorf("no PUBACK: %w", token.Error())
				}
			}
		}
		return nil
	})
}

// spread deals numbers 0 to n-1 out to workers and waits for them.
func (x *flooded) spread(workers, n int, work func(worker int, mine []int) error) {
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			var mine []int
			for i := w; i < n; i += workers {
				mine = append(mine, i)
			}
			if err := work(w, mine); err != nil {
				x.t.Errorf("worker %d: %v", w, err)
			}
		})
	}
	all.Wait()
}

// lineServer is an APRS-IS server that says what it is told as fast as its
// client takes it, and verifies whoever logs in.
type lineServer struct {
	address string
	mu      sync.Mutex
	client  net.Conn // the last one that logged in; nil: nobody
}

func serveLines(t *testing.T) *lineServer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &lineServer{address: l.Addr().String()}
	var work sync.WaitGroup
	work.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			context.AfterFunc(t.Context(), func() { conn.Close() })
			work.Go(func() { s.welcome(conn) })
		}
	})
	t.Cleanup(func() { l.Close(); work.Wait() })
	return s
}

// welcome logs a client in and keeps the connection alive until it goes.
func (s *lineServer) welcome(conn net.Conn) {
	in := bufio.NewReader(conn)
	fmt.Fprint(conn, "# STANDIN\r\n")
	login, err := in.ReadString('\n')
	f := strings.Fields(login)
	if err != nil || len(f) < 2 {
		conn.Close()
		return
	}
	fmt.Fprintf(conn, "# logresp %s verified, server STANDIN\r\n", f[1])
	s.mu.Lock()
	s.client = conn
	s.mu.Unlock()
	gone := make(chan struct{})
	go func() { defer close(gone); _, _ = io.Copy(io.Discard, in) }() // acks
	alive := time.NewTicker(10 * time.Second)
	defer alive.Stop()
	for {
		select {
		case <-gone:
			conn.Close()
			return
		case <-alive.C:
			fmt.Fprint(conn, "# alive\r\n")
		}
	}
}

// say writes to the client. One that hangs up misses some: the count tells.
func (s *lineServer) say(lines string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.client != nil {
		_, _ = io.WriteString(s.client, lines)
	}
}
