package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/adapters"
	"posthouse/adapters/aprsis/standin"
	"posthouse/adapters/mail/sink"
)

// growth is how much memory the daemon may take on under all attacks together.
// What they send is many times that.
const growth = 32 << 20

// target is a gateway with all that it can listen to, and what stands around it.
type target struct {
	*process
	valley, hill, smtp string // addresses of its own servers
	alder, birch       *station
	aprs               *standin.Server
	cedar              *standin.Station
	world              *sink.Sink
	rounds             int
}

func aim(t *testing.T, more ...string) *target {
	x := &target{valley: freePort(t), hill: freePort(t), smtp: freePort(t)}
	var err error
	if x.aprs, err = standin.Listen(t.Context(), "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(x.aprs.Close)
	if x.world, err = sink.Start(t.Context(), sink.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-x.world.Stopped() })
	x.process = newDaemon(t, append(append(ownMesh("valley", x.valley), ownMesh("hill", x.hill)...),
		"POSTHOUSE_LINKS=valley,hill,aprs,post", "POSTHOUSE_RATE=1000/1m", "POSTHOUSE_LOG_LEVEL=info",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+x.aprs.Addr().String(),
		fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)), "POSTHOUSE_APRS_FILTER=b/N0QRC*",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN="+x.smtp, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST="+x.world.Address(), "POSTHOUSE_POST_SMARTHOST_TLS=none",
		"POSTHOUSE_POST_ALLOW=bob@club.example=N0QRB")...)
	x.env = append(x.env, more...)
	x.ship()
	x.start()
	x.alder, x.birch = join(t, x.valley, "valley", "N0QRA-7"), join(t, x.hill, "hill", "N0QRB-9")
	if x.cedar, err = standin.Join(t.Context(), x.aprs.Addr().String(), "N0QRC-5"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(x.cedar.Leave)
	x.awaitUp("valley", "hill", "aprs", "post")
	x.alder.position()
	x.birch.position()
	if err := x.cedar.Send("N0QRC-5>APZPH1,TCPIP*:=4631.00N/12254.00W-on the ridge"); err != nil {
		t.Fatal(err)
	}
	x.awaitMetric(`posthouse_stations_heard{link="aprs"}`, 1)
	return x
}

// works tells that the gateway still does its job on every link.
func (x *target) works() {
	x.t.Helper()
	x.rounds++
	mark := fmt.Sprintf("round %d", x.rounds)
	id := func(to string) string { return fmt.Sprintf("%s%d", to, x.rounds) }
	x.alder.say(said{ID: id("b"), To: "N0QRB-9", Text: "to birch " + mark + "."})
	x.birch.expectText("to birch " + mark + ".")
	x.alder.expectAck(id("b"))
	x.alder.say(said{ID: id("c"), To: "N0QRC-5", Text: "to cedar " + mark + "."})
	x.alder.expectAck(id("c"))
	x.alder.say(said{ID: id("a"), To: "ann@club.example", Text: "to ann " + mark + "."})
	x.alder.expectAck(id("a"))
	if dialogue := x.smtpSays("MAIL FROM:<bob@club.example>", "RCPT TO:<n0qrb-9@radio.example>", "DATA",
		"From: bob@club.example\r\nTo: n0qrb-9@radio.example\r\nMessage-Id: <"+mark[6:]+"@club.example>\r\nSubject: Re: a\r\n\r\nto birch by mail "+mark+".\r\n."); !strings.Contains(dialogue, "250 2.0.0") {
		x.t.Fatalf("mail is not taken any more:\n%s", dialogue)
	}
	x.birch.expectText("to birch by mail " + mark + ".")
	if got := x.get("/healthz"); !strings.HasPrefix(got, "ok\n") {
		x.t.Fatalf("health: %q", got)
	}
	x.tell("block", "list")
}

// smtpSays speaks with the gateway's mail server, a reply read after each line,
// and gives the dialogue. It ends early when the server closes.
func (x *target) smtpSays(lines ...string) (dialogue string) {
	x.t.Helper()
	conn, in := x.smtpOpen()
	defer conn.Close()
	for _, line := range append([]string{"HELO club.example"}, lines...) {
		if _, err := fmt.Fprintf(conn, "%s\r\n", line); err != nil {
			return dialogue + err.Error()
		}
		reply, err := in.ReadString('\n')
		if dialogue += reply; err != nil {
			return dialogue + err.Error()
		}
	}
	return dialogue
}

func (x *target) smtpOpen() (net.Conn, *bufio.Reader) {
	x.t.Helper()
	conn, err := net.DialTimeout("tcp", x.smtp, patience)
	if err != nil {
		x.t.Fatal(err)
	}
	_ = conn.SetDeadline(time.Now().Add(patience))
	in := bufio.NewReader(conn)
	if greeting, err := in.ReadString('\n'); err != nil || !strings.HasPrefix(greeting, "220") {
		x.t.Fatalf("greeted with %q, %v", greeting, err)
	}
	return conn, in
}

// publish hands a payload to a mesh's broker as a stranger, whatever becomes of
// it and of the connection.
func (x *target) publish(payload string) {
	x.t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + x.valley).SetClientID("stranger").SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectTimeout(patience).SetWriteTimeout(patience))
	if t := c.Connect(); !t.WaitTimeout(patience) || t.Error() != nil {
		x.t.Fatalf("the broker takes no clients any more: %v", t.Error())
	}
	defer c.Disconnect(10)
	c.Publish("valley/from", 1, false, payload).WaitTimeout(2 * time.Second)
}

// from is a frame of the mesh's station, as JSON.
func from(members string) string { return `{"from":"N0QRA-7","to":"N0QRB-9",` + members + `}` }

func TestHostileInput(t *testing.T) {
	x := aim(t)
	x.alder.say(said{ID: "kept", To: "N0QRD-3", Text: "kept through it all"}) // nobody has heard N0QRD-3
	x.works()
	x.works()
	before := x.rss()
	for _, attack := range attacks {
		t.Run(attack.name, func(sub *testing.T) {
			x.t = sub
			defer func() { x.t = t }()
			counted := 0.0
			if attack.counts != "" {
				counted = x.metric(attack.counts)
			}
			attack.do(x)
			if attack.counts != "" {
				x.awaitMetric(attack.counts, counted+1)
			}
			x.works()
		})
	}
	if grown := x.rss() - before; grown > growth {
		t.Errorf("memory grew by %d KiB from %d KiB, want at most %d KiB", grown>>10, before>>10, growth>>10)
	} else {
		t.Logf("memory grew by %d KiB from %d KiB", grown>>10, before>>10)
	}
	dogwood := join(t, x.hill, "hill", "N0QRD-3")
	dogwood.position()
	dogwood.expectText("kept through it all")
	x.alder.expectAck("kept")
	x.stop()
}

func dropped(link, reason string) string {
	return fmt.Sprintf(`posthouse_messages_dropped_total{link=%q,reason=%q}`, link, reason)
}

var attacks = []struct {
	name   string
	do     func(*target)
	counts string // the series that tells of it
}{
	{"broken JSON", func(x *target) { x.publish(`{"from":"N0QRA-7","to":`) }, dropped("valley", "not-json")},
	{"no JSON at all", func(x *target) { x.publish("CQ CQ CQ") }, dropped("valley", "not-json")},
	{"wrong types", func(x *target) {
		for _, members := range []string{`"text":7`, `"text":["hello"]`, `"text":"hello","id":{}`, `"ack":true`} {
			x.publish(from(members))
		}
		x.publish(`{"from":{"call":"N0QRA-7"},"to":"N0QRB-9","text":"hello"}`)
		x.publish(`[{"from":"N0QRA-7","to":"N0QRB-9","text":"hello"}]`)
	}, dropped("valley", "wrong-type")},
	{"a member twice", func(x *target) { x.publish(from(`"text":"hello","text":"goodbye"`)) }, dropped("valley", "member-twice")},
	{"nested a hundred deep", func(x *target) { x.publish(strings.Repeat(`[`, 100) + strings.Repeat(`]`, 100)) }, dropped("valley", "too-deep")},
	{"invalid UTF-8", func(x *target) { x.publish(from("\"text\":\"\xff\xfe\xc0\xaf\"")) }, dropped("valley", "not-utf8")},
	{"MQTT payloads of 1 MB", func(x *target) {
		for range 50 {
			x.publish(from(`"text":"` + strings.Repeat("x", 1<<20) + `"`))
		}
	}, dropped("valley", "payload-too-large")},
	{"a text of 15 KiB", func(x *target) { x.publish(from(`"id":"long","text":"` + strings.Repeat("water ", 2500) + `"`)) },
		`posthouse_messages_refused_total{link="valley",rule="too-long"}`},
	{"an APRS line of 100 kB without an end", func(x *target) {
		if !x.aprs.Raw(gatewayCall, []byte(strings.Repeat("N0QRC-5>APZPH1:>", 100<<10/16)+"\r\n")) {
			x.t.Error("the gateway is not there")
		}
	}, dropped("aprs", "line-too-long")},
	{"binary from the APRS server", func(x *target) {
		x.aprs.Raw(gatewayCall, append(junk(64<<10), "\r\n"...))
	}, dropped("aprs", "malformed")},
	{"binary on every port", func(x *target) {
		for range 20 {
			for _, address := range []string{x.valley, x.hill, x.smtp, x.http} {
				throw(x.t, "tcp", address, junk(4<<10))
			}
			throw(x.t, "unix", filepath.Join(x.dir, "control.sock"), junk(4<<10))
		}
	}, ""},
	{"endless lines on every port", func(x *target) {
		for _, address := range []string{x.valley, x.hill, x.smtp, x.http} {
			throw(x.t, "tcp", address, []byte("GET /"+strings.Repeat("a", 8<<20)))
		}
		throw(x.t, "unix", filepath.Join(x.dir, "control.sock"), []byte("POST /"+strings.Repeat("a", 8<<20)))
		throw(x.t, "unix", filepath.Join(x.dir, "control.sock"), []byte("POST /send HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9000000\r\n\r\n{\"to\":\""+strings.Repeat("a", 8<<20)))
	}, ""},
	{"many idle connections", func(x *target) {
		for _, address := range []string{x.valley, x.http, x.smtp} {
			for range 50 {
				conn, err := net.DialTimeout("tcp", address, patience)
				if err != nil {
					x.t.Fatal(err)
				}
				defer conn.Close()
			}
		}
	}, ""},
	{"a mail to 10,000 recipients", tenThousandRecipients, ""},
	{"a mail that says it has 50 MB", func(x *target) {
		conn, in := x.smtpOpen()
		defer conn.Close()
		fmt.Fprintf(conn, "EHLO club.example\r\n")
		for line := ""; !strings.HasPrefix(line, "250 "); {
			var err error
			if line, err = in.ReadString('\n'); err != nil {
				x.t.Fatal(err)
			}
		}
		fmt.Fprintf(conn, "MAIL FROM:<bob@club.example> SIZE=52428800\r\n")
		if reply, err := in.ReadString('\n'); err != nil || !strings.HasPrefix(reply, "552 5.3.4 ") {
			x.t.Errorf("answered %q, %v, want 552 5.3.4", reply, err)
		}
	}, ""},
	{"a mail of 50 MB", fiftyMegabytes, dropped("post", "smtp")},
	{"a mail of a thousand nested parts", func(x *target) {
		var b strings.Builder
		for i := range 1000 {
			fmt.Fprintf(&b, "Content-Type: multipart/mixed; boundary=b%d\r\n\r\n--b%d\r\n", i, i)
		}
		x.refusesMail(b.String())
	}, dropped("post", "smtp")},
	{"a mail of ten thousand parts", func(x *target) {
		x.refusesMail("Content-Type: multipart/mixed; boundary=b\r\n\r\n" + strings.Repeat("--b\r\n\r\n", 8000) + "--b--\r\n")
	}, dropped("post", "smtp")},
	{"a header of a thousand fields", func(x *target) {
		x.refusesMail(strings.Repeat("From: bob@club.example\r\n", 1000) + "\r\nhello\r\n")
	}, dropped("post", "smtp")},
	{"a text that would be a mail header", headerInjection, ""},
	{"a text that imitates an ack", imitatedAck, ""},
	{"acks that nobody waits for", func(x *target) {
		for i := range 200 {
			x.alder.say(said{To: "N0QRB-9", Ack: fmt.Sprint("never", i)})
		}
	}, ""},
	{"thousands of stations", func(x *target) {
		var last mqtt.Token
		for i := range 2000 {
			last = x.alder.publish(said{From: fmt.Sprintf("N0Q%c%c%c", 'A'+i%26, 'A'+i/26%26, 'A'+i/676), To: "N0QRB-9", Ack: "x"})
		}
		x.alder.confirmed(last)
	}, ""},
}

// junk is the same nonsense each time.
func junk(n int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.UintN(256))
	}
	return b
}

// throw writes to a port until it has all or the other side has had enough.
func throw(t testing.TB, network, address string, b []byte) {
	t.Helper()
	conn, err := net.DialTimeout(network, address, patience)
	if err != nil {
		t.Fatalf("%s does not answer any more: %v", address, err)
	}
	defer conn.Close()
	_ = conn.SetDeadline(time.Now().Add(2 * time.Second))
	_, _ = conn.Write(b) // cut off is fine
}

func tenThousandRecipients(x *target) {
	conn, in := x.smtpOpen()
	defer conn.Close()
	fmt.Fprintf(conn, "HELO club.example\r\nMAIL FROM:<bob@club.example>\r\n")
	go func() {
		out := bufio.NewWriter(conn)
		for range 10000 {
			fmt.Fprintf(out, "RCPT TO:<n0qrb-9@radio.example>\r\n")
		}
		_ = out.Flush() // cut off is fine
	}()
	refused := 0
	for range 10002 {
		reply, err := in.ReadString('\n')
		if err != nil {
			break
		}
		if strings.HasPrefix(reply, "452 4.5.3 ") || strings.HasPrefix(reply, "421 ") {
			refused++
		}
	}
	if refused == 0 {
		x.t.Error("took every recipient")
	}
}

func fiftyMegabytes(x *target) {
	conn, in := x.smtpOpen()
	defer conn.Close()
	fmt.Fprintf(conn, "HELO club.example\r\nMAIL FROM:<bob@club.example>\r\nRCPT TO:<n0qrb-9@radio.example>\r\nDATA\r\n")
	for range 4 {
		if _, err := in.ReadString('\n'); err != nil {
			x.t.Fatal(err)
		}
	}
	line := []byte(strings.Repeat("x", 998) + "\r\n")
	for range 50 << 10 {
		if _, err := conn.Write(line); err != nil {
			return // cut off is fine
		}
	}
	fmt.Fprintf(conn, ".\r\n")
	if reply, err := in.ReadString('\n'); err == nil && !strings.HasPrefix(reply, "552 5.3.4 ") {
		x.t.Errorf("answered %q, want 552 5.3.4", reply)
	}
}

// refusesMail sends a mail of a known sender with these fields and body, and
// demands a 5xx or a cut connection.
func (x *target) refusesMail(rest string) {
	x.t.Helper()
	conn, in := x.smtpOpen()
	defer conn.Close()
	fmt.Fprintf(conn, "HELO club.example\r\nMAIL FROM:<bob@club.example>\r\nRCPT TO:<n0qrb-9@radio.example>\r\nDATA\r\n")
	for range 4 {
		if _, err := in.ReadString('\n'); err != nil {
			x.t.Fatal(err)
		}
	}
	fmt.Fprintf(conn, "From: bob@club.example\r\nTo: n0qrb-9@radio.example\r\nMessage-Id: <%d@bomb.example>\r\n%s\r\n.\r\n", time.Now().UnixNano(), rest)
	reply, err := in.ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		x.t.Fatal(err)
	}
	if err == nil && !strings.HasPrefix(reply, "55") {
		x.t.Errorf("answered %q, want a refusal", reply)
	}
}

// headerInjection: what a station writes stays in the body, and what it writes
// to stays one address.
func headerInjection(x *target) {
	x.publish(`{"id":"h1","from":"N0QRA-7","to":"ann@club.example","text":"hello\r\nBcc: victim@shop.example\r\n\r\n.\r\nMAIL FROM:<evil@shop.example>\r\nend of it"}`)
	ctx, cancel := context.WithTimeout(x.t.Context(), patience)
	defer cancel()
	if _, err := x.world.Wait(ctx, 1); err != nil {
		x.t.Fatal(err)
	}
	await(x.t, "the mail", func() bool {
		for _, m := range x.world.Mails() {
			if l := read(x.t, m); strings.Contains(l.text, "end of it") {
				if l.Get("Bcc") != "" || len(m.To) != 1 || !strings.Contains(l.text, "victim@shop.example") {
					x.t.Errorf("it became a header:\n%s", m.Data)
				}
				return true
			}
		}
		return false
	})
	for _, to := range []string{`ann@club.example\r\nBcc: victim@shop.example`, `ann@club.example> RCPT TO:<victim@shop.example`, `ann@club.example, victim@shop.example`} {
		x.publish(`{"id":"h2","from":"N0QRA-7","to":"` + to + `","text":"hello"}`)
	}
	x.publish(`{"id":"h3","from":"N0QRA-7\r\nBcc: victim@shop.example","to":"ann@club.example","text":"hello"}`)
	x.works() // what was sent before has been dealt with
	for _, m := range x.world.Mails() {
		for _, to := range m.To {
			if strings.Contains(to, "shop.example") {
				x.t.Errorf("a mail went to %s:\n%s", to, m.Data)
			}
		}
	}
}

// imitatedAck: words that look like an ack never reach an APRS station as one,
// and count as none on a mesh.
func imitatedAck(x *target) {
	x.alder.silence(true) // before the text can come: its own ack would be a true one
	defer x.alder.silence(false)
	if err := x.cedar.Say("N0QRA-7", "are you there", "55"); err != nil {
		x.t.Fatal(err)
	}
	f := x.alder.expectText("are you there")
	for i, words := range []string{"ack55", "ACK55", "ack" + f.ID, "rej55", ":ack55", "ack55}"} {
		x.alder.say(said{ID: fmt.Sprint("i", i), To: "N0QRC-5", Text: words})
	}
	x.alder.say(said{ID: "i9", To: "N0QRC-5", Text: "that was all"})
	ctx, cancel := context.WithTimeout(x.t.Context(), patience)
	defer cancel()
	if _, err := x.aprs.Wait(ctx, func(line string) bool { return strings.Contains(line, "that was all") }); err != nil {
		x.t.Fatal(err)
	}
	for _, line := range x.aprs.Seen() {
		if low := strings.ToLower(line); strings.Contains(low, "::n0qrc-5  :ack55") || strings.Contains(low, "::n0qrc-5  :rej55") {
			x.t.Errorf("a text became an ack: %q", line)
		}
	}
	x.alder.silence(false)
	x.alder.say(said{To: f.From, Ack: f.ID})
	if _, err := x.aprs.Wait(ctx, func(line string) bool { return strings.Contains(line, "::N0QRC-5  :ack55") }); err != nil {
		x.t.Fatalf("the true ack: %v", err)
	}
}
