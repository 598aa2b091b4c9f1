package mail

import (
	"crypto/tls"
	"errors"
	"net"
	"net/netip"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/adapters/mail/sink"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func TestMailComesIn(t *testing.T) {
	g := startGateway(t, nil)
	err := g.deliver(t, "qra@home.example", []string{"n0qrb-9@Radio.Club.Example"}, crlf(`From: "Q R A" <QRA@home.example>
To: n0qrb-9@radio.club.example
Subject: Re: water
Date: `+time.Now().UTC().Format(time.RFC1123Z)+`
Message-ID: <a1@home.example>
In-Reply-To: <0001@radio.club.example>

two cans
`))
	if err != nil {
		t.Fatal(err)
	}
	kept := g.host.Kept()
	if len(kept) != 1 {
		t.Fatalf("kept %+v", kept)
	}
	got := kept[0]
	if got.Filed.IsZero() || time.Since(got.Filed) > time.Minute || got.OriginID == "" {
		t.Errorf("filed %v, origin id %q", got.Filed, got.OriginID)
	}
	got.Filed, got.OriginID = time.Time{}, ""
	want := message.Message{
		Kind: message.Text, Link: "post", From: "qra@home.example", SenderCall: "N0QRA", To: "N0QRB-9",
		Subject: "water", Text: "two cans", MailID: "a1@home.example", InReplyTo: "0001@radio.club.example",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// Reply codes: RFC 5321 section 4.2.3, RFC 3463 section 3, RFC 2034.
func TestRefusedInTheDialogue(t *testing.T) {
	hello := func(from string) string { return plain(from, "n0qrb-9@radio.club.example", "", "hello") }
	for _, c := range []struct {
		name     string
		from, to string
		data     string
		host     string // the bridge's verdict
		want     string
		counted  string
	}{
		{"licensed sender", "qra@home.example", "n0qrb-9@" + domain, hello("qra@home.example"), "", "250", ""},
		{"sender in another case", "QRA@Home.example", "N0QRB-9@" + domain, hello("Qra@hOme.example"), "", "250", ""},
		{"third party by pattern", "eoc@county.example", "N0QRB-9@" + domain, hello("eoc@county.example"), "", "250", ""},
		{"answer to a station that wrote", "friend@far.example", "N0QRB-9@" + domain, hello("friend@far.example"), "", "250", ""},
		{"a rewritten envelope waits for From", "srs0=x=y=home.example=qra@fwd.example", "N0QRB-9@" + domain, hello("qra@home.example"), "", "250", ""},
		{"friend of another station", "friend@far.example", "N0QRC@" + domain, hello("friend@far.example"), "", "550 5.7.1", "not-allowed"},
		{"unknown sender", "spam@bulk.example", "N0QRB-9@" + domain, hello("spam@bulk.example"), "", "550 5.7.1", "not-allowed"},
		{"From is somebody else", "qra@home.example", "N0QRB-9@" + domain, hello("spam@bulk.example"), "", "550 5.7.1", "not-allowed"},
		{"no relaying", "qra@home.example", "someone@else.example", "", "", "550 5.7.1", "smtp"},
		{"no relaying by percent", "qra@home.example", "someone%else.example@" + domain, "", "", "550 5.1.1", "smtp"},
		{"no relaying by source route", "qra@home.example", "@" + domain + ":someone@else.example", "", "", "550 5.7.1", "smtp"},
		{"no relaying by a quoted name", "qra@home.example", `"someone@else.example"@` + domain, "", "", "550 5.1.1", "smtp"},
		{"recipient not ASCII", "qra@home.example", "grüße@" + domain, "", "", "553 5.6.7", "smtp"},
		{"sender not ASCII", "grüße@home.example", "N0QRB-9@" + domain, "", "", "553 5.6.7", ""},
		{"null sender to a station", "", "N0QRB-9@" + domain, "", "", "550 5.7.1", "smtp"},
		{"station that nobody knows", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeNoRoute, "550 5.1.1", "no-route"},
		{"blocked", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeBlocked, "550 5.7.1", "blocked"},
		{"too many", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeTooMany, "450 4.7.1", "too-many"},
		{"full", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeFull, "452 4.3.1", "full"},
		{"too long for radio, known after DATA", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeTooLong, "552 5.3.4", ""},
		{"looks encrypted to the bridge", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeLooksEncrypted, "554 5.6.1", ""},
		{"expired", "qra@home.example", "N0QRB-9@" + domain, hello("qra@home.example"), link.CodeExpired, "550 5.4.7", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := startGateway(t, nil)
			g.host.Refuse(c.host, "so it is")
			err := g.deliverRaw(t, c.from, c.to, c.data)
			if got := code(t, err); got != c.want {
				t.Errorf("answered %s (%v), want %s", got, err, c.want)
			}
			if kept := len(g.host.Kept()); (kept == 1) != (c.want == "250") {
				t.Errorf("%d messages were taken over", kept)
			}
			if counts := g.host.Counts(); c.counted != "" && counts[c.counted] != 1 || c.counted == "" && len(counts) != 0 {
				t.Errorf("counted %v, want %q", counts, c.counted)
			}
			if answer, ok := errors.AsType[*smtp.SMTPError](err); ok && c.host != "" && !strings.Contains(answer.Message, "so it is") {
				t.Errorf("the answer %q does not say why", answer.Message)
			}
		})
	}
}

// RFC 3834 section 5: parameters and comments may follow the word.
func TestAMailThatIsNotAutomaticMaySaySo(t *testing.T) {
	for field, want := range map[string]string{
		"no": "250", "No": "250", "no (a person)": "250", "no (a person); by=hand": "250", "no;by=hand": "250",
		"auto-generated (no)": "550 5.7.1", "auto-replied": "550 5.7.1", "notice": "550 5.7.1",
	} {
		g := startGateway(t, nil)
		err := g.deliverRaw(t, "qra@home.example", "N0QRB-9@"+domain, "Auto-Submitted: "+field+"\r\n"+plain("qra@home.example", "n0qrb-9@"+domain, "", "hello"))
		if got := code(t, err); got != want {
			t.Errorf("%q: answered %s (%v), want %s", field, got, err, want)
		}
	}
}

// What the envelope alone shows is said at RCPT, or one recipient too many spoils
// the mail for the others.
func TestAStationThatNobodyKnowsIsRefusedAtItsRecipient(t *testing.T) {
	g := startGateway(t, nil)
	g.host.Refuse(link.CodeNoRoute, "so it is")
	c, err := smtp.Dial(g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.Mail("qra@home.example", nil); err != nil {
		t.Fatal(err)
	}
	if err := c.Rcpt("n0qrb-9@"+domain, nil); err == nil || code(t, err) != "550 5.1.1" {
		t.Errorf("answered %v", err)
	}
}

// deliverRaw writes the addresses as they are.
func (g *gateway) deliverRaw(t *testing.T, from, to, data string) error {
	c, err := smtp.Dial(g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.Mail(from, nil); err != nil {
		return err
	}
	if err := c.Rcpt(to, nil); err != nil {
		return err
	}
	w, err := c.Data()
	if err != nil {
		t.Fatal(err)
	}
	w.Write([]byte(data))
	_, err = w.CloseWithResponse()
	return err
}

func TestAllRecipientsOrNone(t *testing.T) {
	to := []string{"n0qrb-9@" + domain, "N0QRB-9@" + domain, "N0QRC@" + domain, "all@" + domain}
	data := plain("qra@home.example", strings.Join(to, ", "), "", "hello")
	t.Run("taken over together", func(t *testing.T) {
		g := startGateway(t, nil)
		if err := g.deliver(t, "qra@home.example", to, data); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, m := range g.host.Kept() {
			got = append(got, m.To)
		}
		if want := []string{"N0QRB-9", "N0QRC", "ALL"}; !reflect.DeepEqual(got, want) {
			t.Errorf("kept %v, want %v", got, want)
		}
	})
	t.Run("one refused, all refused", func(t *testing.T) {
		g := startGateway(t, nil)
		g.host.Refuse(link.CodeTooLong, "the text has 9 parts")
		err := g.deliver(t, "qra@home.example", to, data)
		if code(t, err) != "552 5.3.4" || !strings.Contains(err.Error(), "nothing was taken over for N0QRB-9, N0QRC, ALL") {
			t.Errorf("answered %v", err)
		}
		if n := len(g.host.Offered()); n != 0 {
			t.Errorf("%d texts were offered to the store", n)
		}
	})
	t.Run("not stored, come again", func(t *testing.T) {
		g := startGateway(t, nil)
		g.host.FailNext(errors.New("disk: /var/secret/path"))
		err := g.deliver(t, "qra@home.example", to, data)
		if code(t, err) != "452 4.3.1" || strings.Contains(err.Error(), "/var") {
			t.Errorf("answered %v", err)
		}
	})
}

func TestBounceAddresses(t *testing.T) {
	address, err := bouncing(testKey).bounceAddress("A1B2C")
	if err != nil || len(address)-len("@"+domain) > 64 {
		t.Fatal(address, err)
	}
	report := crlf("From: <>\nContent-Type: multipart/report; report-type=delivery-status; boundary=b\n\n" +
		"--b\n\nsorry\n--b\nContent-Type: message/delivery-status\n\nReporting-MTA: dns; mx.home.example\n\n" +
		"Final-Recipient: rfc822; QRA@Home.example\nAction: ACTION\nStatus: 5.1.1\nDiagnostic-Code: smtp; 550 no\n such user\n\n--b--\n")
	failed := strings.Replace(report, "ACTION", "failed", 1)
	other, _ := bouncing([]byte("another key of ours")).bounceAddress("A1B2C")
	for _, c := range []struct {
		name, from, to, data, want string
		receipts                   int
	}{
		{"failed", "", address, failed, "250", 1},
		{"failed, in upper case", "", strings.ToUpper(address), failed, "250", 1},
		{"delayed changes nothing", "", address, strings.Replace(report, "ACTION", "delayed", 1), "250", 0},
		{"delivered changes nothing", "", address, strings.Replace(report, "ACTION", "delivered", 1), "250", 0},
		{"in words, by a mail system", "", address, crlf("From: MAILER-DAEMON@mx.home.example\n\n5.1.1 550 no such user\n"), "250", 1},
		{"in words, by a mail system under its name", "MAILER-DAEMON@mx.home.example", address, crlf("From: MAILER-DAEMON@mx.home.example\n\n5.1.1 550 no such user\n"), "250", 1},
		{"forged", "", other, failed, "550 5.1.1", 0},
		{"made up", "", "bounce+x@" + domain, failed, "550 5.1.1", 0},
		{"a person writes there", "qra@home.example", address, failed, "550 5.7.1", 0},
		{"no report", "", address, plain("qra@home.example", "x", "Action: failed", "Action: failed"), "554 5.6.0", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := startGateway(t, func(o *Options) { o.Relays = nobody })
			if got := code(t, g.deliverRaw(t, c.from, c.to, c.data)); got != c.want {
				t.Errorf("answered %s, want %s", got, c.want)
			}
			kept := g.host.Kept()
			if len(kept) != c.receipts {
				t.Fatalf("kept %+v", kept)
			}
			want := message.Message{
				Kind: message.Receipt, Link: "post", From: "QRA@home.example", To: "N0QRZ-10",
				Acks: "A1B2C", Nak: true, Text: "5.1.1 550 no such user",
			}
			if c.data != failed {
				want.From = ""
			}
			if c.receipts == 1 && !reflect.DeepEqual(kept[0], want) {
				t.Errorf("got  %+v\nwant %+v", kept[0], want)
			}
		})
	}
}

func TestStartTLSIsOffered(t *testing.T) {
	certificate, pool, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	g := startGateway(t, func(o *Options) { o.Certificate = func() *tls.Certificate { return &certificate } })
	c, err := smtp.DialStartTLS(g.address, &tls.Config{RootCAs: pool, ServerName: "127.0.0.1"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if ok, _ := c.Extension("AUTH"); ok {
		t.Error("AUTH is offered, and nobody has an account here")
	}
	if err := c.SendMail("qra@home.example", []string{"N0QRB-9@" + domain}, strings.NewReader(plain("qra@home.example", "x", "", "hello"))); err != nil {
		t.Error(err)
	}
	if len(g.host.Kept()) != 1 {
		t.Errorf("kept %+v", g.host.Kept())
	}
}

func TestAddressInUseIsFinal(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	o := testOptions()
	o.Listen = l.Addr().String()
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	err = a.Run(t.Context(), nil)
	if err == nil || !strings.Contains(err.Error(), o.Listen) || t.Context().Err() != nil {
		t.Errorf("Run gave %v, want an error that names the address", err)
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Options)
		want   string // in the error
	}{
		{"no domain", func(o *Options) { o.Domain = "" }, "domain"},
		{"domain not ASCII", func(o *Options) { o.Domain = "grüße.example" }, "ASCII"},
		{"nothing to do", func(o *Options) { o.Listen = "" }, "at least one"},
		{"short key", func(o *Options) { o.BounceKey = []byte("short") }, "16 bytes"},
		{"password in clear", func(o *Options) { o.Smarthost, o.SmarthostTLS, o.Username = "mail.example:25", NoTLS, "u" }, "in clear"},
		{"smarthost without port", func(o *Options) { o.Smarthost = "mail.example" }, "host:port"},
		{"unknown TLS", func(o *Options) { o.Smarthost, o.SmarthostTLS = "mail.example:25", "ssl" }, "starttls, implicit or none"},
		{"pattern with a call sign", func(o *Options) { o.Allow = []Allow{{"*@x.example", "N0QRA"}} }, "pattern"},
		{"allowed is no address", func(o *Options) { o.Allow = []Allow{{"home.example", ""}} }, "no mail address"},
	} {
		o := testOptions()
		o.Listen = "127.0.0.1:0"
		c.change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", c.name, err, c.want)
		}
	}
}

func TestPatterns(t *testing.T) {
	for _, c := range []struct {
		pattern, s string
		want       bool
	}{
		{"a@b.example", "a@b.example", true}, {"a@b.example", "aa@b.example", false},
		{"*@b.example", "x@b.example", true}, {"*@b.example", "x@c.b.example", false},
		{"*@*.example", "x@c.b.example", true}, {"a*@b.example", "b@b.example", false},
		{"*a*a@b.example", "a@b.example", false}, {"*a*a@b.example", "aa@b.example", true},
	} {
		if got := matches(c.pattern, c.s); got != c.want {
			t.Errorf("%q on %q gives %v", c.pattern, c.s, got)
		}
	}
}

// A relay that cannot read a From checks nothing, or another address than the one that we
// find in it.
func TestARelayIsNotBelievedAboutAnOddFrom(t *testing.T) {
	for from, taken := range map[string]bool{
		"Ann [club] <qra@home.example>": false, "Friends: qra@home.example;": false, "qra@home.example (<ann@evil.example>)": false, "<@evil.example:qra@home.example>": false,
		`"Ann: \"<ann@club.example>" <qra@home.example>`: true, "qra@home.example (Ann)": true, "=?utf-8?q?Ann?= <qra@home.example>": true,
	} {
		g := startGateway(t, nil) // the loopback is a relay
		err := g.deliver(t, "qra@home.example", []string{"n0qrb-9@radio.club.example"}, plain(from, "n0qrb-9@radio.club.example", "", "hello"))
		want := "550 5.7.20"
		if taken {
			want = "250"
		}
		if got := code(t, err); got != want {
			t.Errorf("%s: answered %s (%v), want %s", from, got, err, want)
		}
	}
}

func TestRelays(t *testing.T) {
	s := &server{intake: intake{o: Options{Relays: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}}}}
	for address, want := range map[string]bool{"10.1.2.3:25": true, "[::ffff:10.1.2.3]:25": true, "127.0.0.1:25": false, "[::1]:25": false} {
		if got := s.isRelay(addressOf(addressed{address: address})); got != want {
			t.Errorf("%s is a relay: %v", address, got)
		}
	}
}

// addressed is a connection that only knows where it comes from.
type addressed struct {
	net.Conn
	address string
}

func (a addressed) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(a.address))
}
