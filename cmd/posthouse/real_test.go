package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"mime/quotedprintable"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/emersion/go-smtp"

	"posthouse/adapters"
	"posthouse/adapters/aprsis/standin"
	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/postfixtest"
	"posthouse/adapters/mail/sink"
)

// office is a gateway with a mesh and a club's mail server: Postfix carries the
// gateway's mail to the world, and the world's mail to the gateway.
type office struct {
	t       *testing.T
	gateway *process
	broker  *brokertest.Broker
	postfix *postfixtest.Postfix
	world   *sink.Sink // everybody's mail server, behind Postfix
	unknown atomic.Pointer[string]
	smtp    string // the gateway's own mail server
	alder   *station
}

func openOffice(t *testing.T) *office {
	o := &office{t: t, smtp: freePort(t), broker: brokertest.Mosquitto(t)}
	postfixtest.Program(t, "swaks")
	var err error
	if o.world, err = sink.Start(t.Context(), sink.Options{Answer: o.answer}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-o.world.Stopped() })
	o.postfix = postfixtest.Start(t, postfixtest.Options{
		NextHop: o.world.Address(), To: map[string]string{"radio.example": o.smtp},
		Conf: []string{
			"smtpd_recipient_restrictions = check_recipient_access inline:{{later@club.example = 450 4.2.0 come back later}}, permit_mynetworks, reject",
		},
	})
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("postfix says:\n%s", tail(o.postfix.Log(), 100))
		}
	})
	o.gateway = startDaemon(t, append(mesh("valley", o.broker.Addr),
		"POSTHOUSE_LINKS=valley,post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN="+o.smtp, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST="+o.postfix.Addr, "POSTHOUSE_POST_SMARTHOST_TLS=none",
		"POSTHOUSE_POST_ALLOW=bob@club.example=N0QRB,*@county.example", "POSTHOUSE_RATE=1000/10m")...)
	o.alder = join(t, o.broker.Addr, "valley", "N0QRA-7")
	o.gateway.awaitUp("valley", "post")
	o.alder.position()
	return o
}

// answer is the world's mail server: it knows everybody but one.
func (o *office) answer(step, address string) error {
	if u := o.unknown.Load(); step == "RCPT" && u != nil && *u == address {
		return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user here"}
	}
	return nil
}

// letter is a mail that arrived.
type letter struct {
	envelope sink.Mail
	mail.Header
	text string
}

// arrives waits for a mail to somebody that holds these words.
func (o *office) arrives(to, words string) letter {
	o.t.Helper()
	var found letter
	await(o.t, fmt.Sprintf("a mail to %s with %q", to, words), func() bool {
		for _, m := range o.world.Mails() {
			if l := read(o.t, m); m.To[0] == to && strings.Contains(l.text, words) {
				found = l
				return true
			}
		}
		return false
	})
	return found
}

func read(t testing.TB, m sink.Mail) letter {
	t.Helper()
	parsed, err := mail.ReadMessage(bytes.NewReader(m.Data))
	if err != nil {
		t.Fatal(err)
	}
	body := parsed.Body
	if strings.EqualFold(parsed.Header.Get("Content-Transfer-Encoding"), "quoted-printable") {
		body = quotedprintable.NewReader(body)
	}
	text, err := io.ReadAll(body)
	if err != nil {
		t.Fatal(err)
	}
	return letter{m, parsed.Header, strings.ReplaceAll(string(text), "\r\n", "\n")}
}

// writes has somebody write a mail with swaks and gives the dialogue; code is
// swaks' exit code.
func writes(t *testing.T, server string, args ...string) (dialogue string, code int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, "swaks", append([]string{"--server", server, "--helo", "club.example", "--timeout", "20s"}, args...)...)
	out, err := cmd.CombinedOutput()
	if failed, ok := errors.AsType[*exec.ExitError](err); ok {
		code = failed.ExitCode()
	} else if err != nil {
		t.Fatal(err)
	}
	return string(out), code
}

// taken demands that the mail was taken.
func taken(t *testing.T, server string, args ...string) {
	t.Helper()
	if dialogue, code := writes(t, server, args...); code != 0 {
		t.Fatalf("not taken (%d):\n%s", code, dialogue)
	}
}

// swaks' exit codes (its manual, EXIT CODES).
const (
	refusedAtRcpt = 24
	refusedAtData = 26
)

// refused demands that the mail was refused at this step with this reply.
func refused(t *testing.T, step int, reply, server string, args ...string) {
	t.Helper()
	dialogue, code := writes(t, server, args...)
	if code != step || !strings.Contains(dialogue, "<** "+reply) {
		t.Errorf("exit code %d, want %d and a reply %q:\n%s", code, step, reply, dialogue)
	}
}

func TestMailThroughPostfix(t *testing.T) {
	t.Parallel()
	o := openOffice(t)
	for _, story := range []struct {
		name string
		tell func(*testing.T, *office)
	}{
		{"a text becomes a mail, and its 250 the ack", textToMail},
		{"a reply comes back without its quotation", replyToText},
		{"an answer without an address is threaded", answerIsThreaded},
		{"a licensed sender may write first", licensedSender},
		{"strangers are refused at RCPT", strangersAtRcpt},
		{"nothing is relayed", nothingRelayed},
		{"what radio cannot carry is refused at DATA", refusedText},
		{"a mail to an unknown user comes back as a notice", bounced},
		{"a deferred mail is tried again", deferred},
		{"the smarthost away: it waits", smarthostAway},
		{"the gateway away: Postfix waits", gatewayAway},
	} {
		t.Run(story.name, func(t *testing.T) {
			o.t, o.alder.t, o.gateway.t = t, t, t
			story.tell(t, o)
		})
	}
	o.t, o.alder.t, o.gateway.t = t, t, t
	o.gateway.stop()
}

func textToMail(t *testing.T, o *office) {
	o.alder.say(said{ID: "m1", To: "ann@club.example", Text: "arrived safely, back on Sunday"})
	l := o.arrives("ann@club.example", "arrived safely, back on Sunday")
	o.alder.expectAck("m1")
	for header, want := range map[string]string{"From": "n0qra-7@radio.example", "Reply-To": "n0qra-7@radio.example", "To": "ann@club.example"} {
		if got, err := mail.ParseAddress(l.Get(header)); err != nil || got.Address != want {
			t.Errorf("%s: %v, %v, want %s", header, got, err, want)
		}
	}
	if !strings.HasPrefix(l.envelope.From, "bounce+") || !strings.HasSuffix(l.envelope.From, "@radio.example") {
		t.Errorf("reports go to %q, want a bounce address", l.envelope.From)
	}
	if !strings.Contains(l.text, "amateur radio") || !strings.Contains(l.text, gatewayCall) {
		t.Errorf("the footer does not tell what this is:\n%s", l.text)
	}
}

func replyToText(t *testing.T, o *office) {
	first := o.arrives("ann@club.example", "arrived safely")
	taken(t, o.postfix.Addr, "--from", "ann@club.example", "--to", "n0qra-7@radio.example",
		"--header", "Subject: Re: arrived", "--header", "In-Reply-To: "+first.Get("Message-Id"),
		"--body", `good news, drive carefully\n\nOn Monday you wrote:\n> arrived safely, back on Sunday\n`)
	f := o.alder.expectText("good news, drive carefully")
	if strings.Contains(f.Text, ">") || strings.Contains(f.Text, "On Monday") {
		t.Errorf("the quotation came along: %q", f.Text)
	}
	if f.From != "ann@club.example" {
		t.Errorf("from %q", f.From)
	}
	notice := o.arrives("ann@club.example", "delivered")
	if notice.envelope.From != "" || notice.Get("Auto-Submitted") == "" {
		t.Errorf("a notice came from %q, Auto-Submitted %q: it could be answered by a machine", notice.envelope.From, notice.Get("Auto-Submitted"))
	}
}

func answerIsThreaded(t *testing.T, o *office) {
	taken(t, o.postfix.Addr, "--from", "ann@club.example", "--to", "n0qra-7@radio.example",
		"--header", "Message-Id: <q1@club.example>", "--header", "Subject: Re: supplies", "--body", `do you need anything`)
	o.alder.expectText("do you need anything")
	o.arrives("ann@club.example", `"do you need anything"`) // delivered
	o.alder.say(said{ID: "p1", To: "POST", Text: "two batteries please"})
	l := o.arrives("ann@club.example", "two batteries please")
	if got := l.Get("In-Reply-To"); got != "<q1@club.example>" {
		t.Errorf("In-Reply-To %q", got)
	}
	o.alder.expectAck("p1")
}

func licensedSender(t *testing.T, o *office) {
	taken(t, o.postfix.Addr, "--from", "bob@club.example", "--to", "n0qra-7@radio.example,ALL@radio.example", "--body", "net tonight at eight")
	o.alder.expect("the text to itself", func(f said) bool { return f.To == "N0QRA-7" && strings.Contains(f.Text, "net tonight") })
	o.alder.expect("the text to all", func(f said) bool { return f.To == "ALL" && strings.Contains(f.Text, "net tonight") })
}

func strangersAtRcpt(t *testing.T, o *office) {
	before := len(o.alder.all(func(said) bool { return true }))
	refused(t, refusedAtRcpt, "550 5.7.1 ", o.smtp, "--from", "kim@shop.example", "--to", "n0qra-7@radio.example", "--body", "buy now")
	if got := o.gateway.metric(`posthouse_messages_refused_total{link="post",rule="not-allowed"}`); got < 1 {
		t.Errorf("not counted: %g", got)
	}
	// Whoever is not known by the header's From is refused behind the envelope, too.
	refused(t, refusedAtData, "550 5.7.1 ", o.smtp, "--from", "bob@club.example", "--h-From", "kim@shop.example",
		"--to", "n0qra-7@radio.example", "--body", "buy now")
	// Through Postfix the stranger gets a report from there, none from us.
	taken(t, o.postfix.Addr, "--from", "kim@shop.example", "--to", "n0qra-7@radio.example", "--body", "buy now")
	o.arrives("kim@shop.example", "5.7.1")
	if after := len(o.alder.all(func(said) bool { return true })); after != before {
		t.Errorf("%s was told something", o.alder.call)
	}
}

func nothingRelayed(t *testing.T, o *office) {
	for _, to := range []string{"ann@club.example", "ann%club.example@elsewhere.example", `"ann@club.example"@elsewhere.example`, "n0qra-7@sub.radio.example"} {
		refused(t, refusedAtRcpt, "550 5.7.1 ", o.smtp, "--from", "bob@club.example", "--to", to, "--body", "hello")
	}
	for _, to := range []string{"ann%club.example@radio.example", "club.example!ann@radio.example"} {
		refused(t, refusedAtRcpt, "550 5.1.1 ", o.smtp, "--from", "bob@club.example", "--to", to, "--body", "hello")
	}
	refused(t, refusedAtRcpt, "550 5.1.1 ", o.smtp, "--from", "<>", "--to", "bounce+aaaa+bbbbbbbbbbbbbbbb@radio.example", "--body", "hello")
}

func refusedText(t *testing.T, o *office) {
	for name, c := range map[string]struct{ reply, data string }{
		"too long":             {"5", "\n" + strings.Repeat("shelter list: north school, church hall, fire station.\n", 40)},
		"inline ciphertext":    {"554 5.6.1 looks-encrypted", "\n-----BEGIN PGP MESSAGE-----\n\nhQEMA1d2\n-----END PGP MESSAGE-----\n"},
		"nothing readable":     {"554 5.6.1 not-text", "Content-Type: image/png\nContent-Transfer-Encoding: base64\n\niVBORw0KGgo=\n"},
		"an automatic answer":  {"550 5.7.1 ", "Auto-Submitted: auto-replied\n\nI am away until Monday\n"},
		"encrypted MIME":       {"554 5.6.1 looks-encrypted", "Content-Type: multipart/encrypted; protocol=\"application/pgp-encrypted\"; boundary=b\n\n--b\nContent-Type: application/pgp-encrypted\n\nVersion: 1\n\n--b\nContent-Type: application/octet-stream\n\nhQEMA1d2\n\n--b--\n"},
		"from a mailing list":  {"550 5.7.1 ", "List-Id: <net.club.example>\n\nhello\n"},
		"from another gateway": {"554 5.", "X-Test: 1\n" + strings.Repeat("Received: from a.example by b.example; Mon, 23 Nov 2026 08:00:00 +0000\n", 31) + "\nhello\n"},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "mail")
			header := "From: bob@club.example\nTo: n0qra-7@radio.example\nDate: %DATE%\nMessage-Id: <" + strings.ReplaceAll(name, " ", "-") + "@club.example>\n"
			if err := os.WriteFile(file, []byte(header+c.data), 0o600); err != nil {
				t.Fatal(err)
			}
			refused(t, refusedAtData, c.reply, o.smtp, "--from", "bob@club.example", "--to", "n0qra-7@radio.example", "--data", "@"+file)
		})
	}
}

// bounced: Postfix takes the mail, its next hop does not know the user, and the
// report that Postfix then writes (RFC 3464) leads back to the station.
func bounced(t *testing.T, o *office) {
	nobody := "nobody@club.example"
	o.unknown.Store(&nobody)
	o.alder.say(said{ID: "b1", To: nobody, Text: "are you there"})
	f := o.alder.expectText("not delivered to " + nobody)
	if !strings.Contains(f.Text, "5.1.1") || f.From != gatewayCall {
		t.Errorf("told %q by %s, want the status 5.1.1 from %s", f.Text, f.From, gatewayCall)
	}
	o.alder.expect("the nak", func(f said) bool { return f.Nak == "b1" })
}

func deferred(t *testing.T, o *office) {
	const retried = `posthouse_deliveries_total{link="post",result="retried"}`
	before := o.gateway.metric(retried)
	o.alder.say(said{ID: "d1", To: "later@club.example", Text: "whenever you like"})
	o.gateway.awaitMetric(retried, before+1)
	o.gateway.awaitLog("not sent, trying again", "link=post", "450", "come back later")
	if told := o.alder.all(func(f said) bool { return f.Ack == "d1" || f.Nak == "d1" || strings.Contains(f.Text, "later@") }); len(told) > 0 {
		t.Errorf("%s was told %v of a mail that still waits", o.alder.call, told)
	}
	o.gateway.awaitMetric(`posthouse_queue_messages{link="post",precedence="routine"}`, 1)
}

func smarthostAway(t *testing.T, o *office) {
	o.postfix.Stop()
	o.alder.say(said{ID: "o1", To: "ann@club.example", Text: "generator needs fuel tomorrow"})
	o.gateway.await("the link to be down", func() bool { return o.gateway.metric(`posthouse_link_up{link="post"}`) == 0 })
	if got := o.alder.all(func(f said) bool { return f.Ack == "o1" }); len(got) > 0 {
		t.Error("acknowledged with the smarthost away")
	}
	o.postfix.Restart()
	o.arrives("ann@club.example", "generator needs fuel tomorrow")
	o.alder.expectAck("o1")
}

func gatewayAway(t *testing.T, o *office) {
	o.gateway.stop()
	taken(t, o.postfix.Addr, "--from", "bob@club.example", "--to", "n0qra-7@radio.example", "--body", "the road is open again")
	await(t, "Postfix to defer it", func() bool {
		return strings.Contains(o.postfix.Log(), "status=deferred")
	})
	o.gateway.start()
	o.alder.expectText("the road is open again")
}

// TestMailOverTLS: Postfix with STARTTLS. A certificate that nobody vouches for
// stops the mail, it never goes in clear instead.
func TestMailOverTLS(t *testing.T) {
	t.Parallel()
	world, err := sink.Start(t.Context(), sink.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-world.Stopped() })
	cert, key := certificate(t)
	postfix := postfixtest.Start(t, postfixtest.Options{NextHop: world.Address(), Conf: []string{
		"smtpd_tls_security_level = encrypt", "smtpd_tls_chain_files = " + key + " " + cert,
	}})
	d := newDaemon(t, append(ownMesh("valley", freePort(t)), "POSTHOUSE_LINKS=valley,post",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST="+postfix.Addr)...)
	d.start()
	d.awaitLog("link is still down", "link=post", "certificate")
	id := d.tell("send", "--to", "ann@club.example", "--text", "hello")
	d.stop()
	if n := len(world.Mails()); n != 0 {
		t.Fatalf("%d mails went to a server that nobody vouches for", n)
	}
	d.env = append(d.env, "SSL_CERT_FILE="+cert) // crypto/x509: the system's certificates
	d.start()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	if _, err := world.Wait(ctx, 1); err != nil {
		t.Fatalf("%v\n%s", err, postfix.Log())
	}
	d.awaitLog("link=post", "id="+id)
	d.stop()
}

// certificate makes one for 127.0.0.1, as files.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	c, _, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for path, block := range map[string]*pem.Block{
		cert: {Type: "CERTIFICATE", Bytes: c.Certificate[0]},
		key:  {Type: "PRIVATE KEY", Bytes: der},
	} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// TestTwoMeshesOnMosquitto: two brokers, one gateway between them.
func TestTwoMeshesOnMosquitto(t *testing.T) {
	t.Parallel()
	valley, hill := brokertest.Mosquitto(t), brokertest.Mosquitto(t)
	d := startDaemon(t, append(append(mesh("valley", valley.Addr), mesh("hill", hill.Addr)...),
		"POSTHOUSE_LINKS=valley,hill", "POSTHOUSE_RATE=1000/10m")...)
	alder, birch := join(t, valley.Addr, "valley", "N0QRA-7"), join(t, hill.Addr, "hill", "N0QRB-9")
	d.awaitUp("valley", "hill")
	alder.position()
	birch.position()
	stories := []struct {
		name string
		tell func(t *testing.T)
	}{
		{"a direct text arrives and its ack comes back", func(*testing.T) {
			alder.say(said{ID: "1", To: "N0QRB-9", Text: "river at 2.1 m and rising"})
			birch.expectText("river at 2.1 m")
			alder.expectAck("1")
		}},
		{"no ack before the addressee's own", func(t *testing.T) {
			birch.silence(true)
			alder.say(said{ID: "2", To: "N0QRB-9", Text: "are you there"})
			f := birch.expectText("are you there")
			if got := alder.all(func(f said) bool { return f.Ack == "2" }); len(got) > 0 {
				t.Error("acknowledged for a station that has not")
			}
			birch.silence(false)
			birch.say(said{To: f.From, Ack: f.ID})
			alder.expectAck("2")
		}},
		{"a text to all crosses, and a repeat does not", func(t *testing.T) {
			for range 2 {
				alder.say(said{ID: "3", To: "ALL", Text: "net tonight at eight"})
			}
			alder.say(said{ID: "4", To: "ALL", Text: "bring a chair"})
			birch.expectText("bring a chair")
			if got := birch.all(func(f said) bool { return f.Text == "net tonight at eight" }); len(got) != 1 {
				t.Errorf("heard %d times", len(got))
			}
		}},
		{"any MQTT client will do", func(t *testing.T) { anyClient(t, valley, hill) }},
		{"quiet stops sending, and only that", func(t *testing.T) {
			d.tell("quiet", "hill")
			birch.say(said{ID: "q0", To: "ALL", Text: "from the hill"})
			alder.say(said{ID: "q1", To: "ALL", Text: "when you can"})
			alder.expectText("from the hill")
			d.awaitMetric(`posthouse_queue_messages{link="hill",precedence="routine"}`, 1)
			if got := birch.all(hasWords("when you can")); len(got) > 0 {
				t.Error("sent on a quiet link")
			}
			d.tell("resume", "hill")
			birch.expectText("when you can")
		}},
		{"brokers restarted in good order", func(*testing.T) {
			for _, b := range []*brokertest.Broker{valley, hill} {
				b.Stop()
				b.Restart()
			}
			alder.say(said{ID: "5", To: "N0QRB-9", Text: "still there after the restart"})
			birch.expectText("still there after the restart")
			alder.expectAck("5")
		}},
		{"the far broker killed on the way", func(t *testing.T) {
			hill.Kill()
			d.await("the link to be down", func() bool { return d.metric(`posthouse_link_up{link="hill"}`) == 0 })
			alder.say(said{ID: "6", To: "N0QRB-9", Text: "through the power cut"})
			alder.say(said{ID: "7", To: "ALL", Text: "to all through it"})
			hill.Restart()
			birch.expectText("through the power cut")
			birch.expectText("to all through it")
			alder.expectAck("6")
		}},
		{"the writer's broker killed before the ack", func(t *testing.T) {
			birch.silence(true)
			alder.say(said{ID: "8", To: "N0QRB-9", Text: "ack me later"})
			f := birch.expectText("ack me later")
			valley.Kill()
			birch.silence(false)
			birch.say(said{To: f.From, Ack: f.ID})
			valley.Restart()
			alder.expectAck("8")
		}},
		{"a broker that froze", func(t *testing.T) {
			hill.Freeze()
			alder.say(said{ID: "9", To: "N0QRB-9", Text: "after the ice"})
			d.awaitLog("accepted", "to=N0QRB-9")
			hill.Thaw()
			birch.expectText("after the ice")
			alder.expectAck("9")
		}},
		{"a gateway killed on the way", func(t *testing.T) {
			hill.Stop()
			alder.say(said{ID: "10", To: "ALL", Text: "written before the crash"})
			d.kill()
			hill.Restart()
			d.start()
			birch.expectText("written before the crash")
		}},
	}
	for _, story := range stories {
		t.Run(story.name, func(sub *testing.T) {
			d.t, alder.t, birch.t = sub, sub, sub
			defer func() { d.t, alder.t, birch.t = t, t, t }()
			story.tell(sub)
		})
	}
	d.stop()
}

func hasWords(words string) func(said) bool {
	return func(f said) bool { return strings.Contains(f.Text, words) }
}

// anyClient: what mosquitto_pub says comes out at mosquitto_sub.
func anyClient(t *testing.T, from, to *brokertest.Broker) {
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	sub := exec.CommandContext(ctx, "stdbuf", append([]string{"--output=L", brokertest.Program(t, "mosquitto_sub")}, // a pipe is no terminal
		append(hostAndPort(to), "-d", "-q", "1", "-t", "hill/to", "-C", "1")...)...)
	out, err := sub.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := sub.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "Subscribed") {
	}
	pub := exec.CommandContext(ctx, brokertest.Program(t, "mosquitto_pub"), append(hostAndPort(from), "-q", "1", "-t", "valley/from",
		"-m", `{"id":"sh1","from":"N0QRD-3","to":"ALL","text":"from the command line"}`)...)
	if out, err := pub.CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_pub: %v\n%s", err, out)
	}
	heard := ""
	for lines.Scan() {
		heard += lines.Text() + "\n"
	}
	if err := sub.Wait(); err != nil {
		t.Fatalf("mosquitto_sub: %v\n%s", err, heard)
	}
	if want := `{"from":"N0QRD-3","to":"ALL","text":"from the command line","via":"` + gatewayCall + `"}`; !strings.Contains(heard, want) {
		t.Errorf("heard %s, want %s", heard, want)
	}
}

func hostAndPort(b *brokertest.Broker) []string {
	host, port, _ := strings.Cut(b.Addr, ":")
	return []string{"-h", host, "-p", port}
}

// TestAPRSBothWays: a mesh, and a station on APRS-IS.
func TestAPRSBothWays(t *testing.T) {
	t.Parallel()
	server, err := standin.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	broker := freePort(t)
	d := startDaemon(t, append(ownMesh("valley", broker), "POSTHOUSE_LINKS=valley,aprs",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+server.Addr().String(),
		fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)), "POSTHOUSE_APRS_POSITIONS=true",
		"POSTHOUSE_RATE=1000/10m")...)
	alder := join(t, broker, "valley", "N0QRA-7")
	d.awaitUp("valley", "aprs")
	alder.position()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	passed := func(what string, words ...string) string {
		t.Helper()
		line, err := server.Wait(ctx, func(line string) bool { return containsAll(line, words) })
		if err != nil {
			t.Fatalf("%s: %v; passed on so far: %q", what, err, server.Seen())
		}
		return line
	}

	// A text to somebody whom nobody has heard waits until he is.
	alder.say(said{ID: "a1", To: "N0QRC-5", Text: "can you see the bridge"})
	d.awaitLog("accepted", "to=N0QRC-5", "held until")
	cedar, err := standin.Join(ctx, server.Addr().String(), "N0QRC-5")
	if err != nil {
		t.Fatal(err)
	}
	defer cedar.Leave()
	await(t, "the gateway to ask for N0QRC", func() bool { return strings.Contains(strings.Join(server.Filter(gatewayCall), " "), "N0QRC") })
	for _, line := range server.Seen() {
		if strings.Contains(line, "can you see the bridge") {
			t.Errorf("sent before its addressee was heard: %q", line)
		}
	}
	if err := cedar.Send("N0QRC-5>APZPH1,TCPIP*:=4631.00N/12254.00W-on the ridge"); err != nil {
		t.Fatal(err)
	}
	line := passed("the text", "can you see the bridge")
	if !strings.HasPrefix(line, "N0QRA-7>") || !strings.Contains(line, "::N0QRC-5  :can you see the bridge{") {
		t.Errorf("passed on as %q, want it under its writer's call sign and as a message to N0QRC-5", line)
	}
	alder.expectAck("a1")

	// The mesh station's position went out under its own call.
	passed("the position", "N0QRA-7>", "4630.60N/12255.80W")

	// The other way: the ack is the station's own, not the gateway's.
	alder.silence(true)
	if err := cedar.Say("N0QRA-7", "bridge is open", "77"); err != nil {
		t.Fatal(err)
	}
	f := alder.expectText("bridge is open")
	for _, line := range server.Seen() {
		if strings.Contains(line, ":ack77") {
			t.Errorf("acknowledged for a station that has not: %q", line)
		}
	}
	alder.silence(false)
	alder.say(said{To: f.From, Ack: f.ID})
	passed("the ack", "N0QRA-7>", "::N0QRC-5  :ack77")

	// A lost connection loses nothing.
	server.Drop(gatewayCall)
	alder.say(said{ID: "a2", To: "N0QRC-5", Text: "written while the server was away"})
	passed("the text", "written while the server was away")
	alder.expectAck("a2")
	if n := server.Refused(); len(n) > 0 {
		t.Errorf("the server refused what we sent: %v", n)
	}
	d.stop()
}
