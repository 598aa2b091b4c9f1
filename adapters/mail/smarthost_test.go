package mail

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/mail/sink"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func serverTLS(c tls.Certificate) *tls.Config {
	return &tls.Config{Certificates: []tls.Certificate{c}}
}

func startSink(t testing.TB, o sink.Options) *sink.Sink {
	t.Helper()
	ctx, end := context.WithCancel(context.Background())
	s, err := sink.Start(ctx, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { end(); <-s.Stopped() })
	return s
}

func TestHowTheSmarthostIsReached(t *testing.T) {
	certificate, pool, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	wrong, wrongPool, err := sink.Certificate("other.example")
	if err != nil {
		t.Fatal(err)
	}
	login := func(o sink.Options) sink.Options { o.Username, o.Password = "u", secret; return o }
	secure := sink.Options{TLS: serverTLS(certificate)}
	implicit := sink.Options{TLS: serverTLS(certificate), Implicit: true}
	for _, c := range []struct {
		name string
		sink sink.Options
		tls  string
		set  func(*Options)
		want string // why the link is down; empty: the mail arrives
	}{
		{"STARTTLS", secure, StartTLS, nil, ""},
		{"implicit TLS", implicit, ImplicitTLS, nil, ""},
		{"no TLS", sink.Options{}, NoTLS, nil, ""},
		{"AUTH PLAIN", login(secure), StartTLS, func(o *Options) { o.Username, o.Password = "u", secret }, ""},
		{"AUTH LOGIN", sink.Options{TLS: serverTLS(certificate), Username: "u", Password: secret, Login: true}, StartTLS,
			func(o *Options) { o.Username, o.Password = "u", secret }, ""},
		{"no STARTTLS, no mail", sink.Options{}, StartTLS, nil, "STARTTLS"},
		{"unknown authority", secure, StartTLS, func(o *Options) { o.RootCAs = wrongPool }, "certificate"},
		{"certificate of another host", sink.Options{TLS: serverTLS(wrong)}, StartTLS, func(o *Options) { o.RootCAs = wrongPool }, "certificate"},
		{"wrong password", login(secure), StartTLS, func(o *Options) { o.Username, o.Password = "u", "no "+secret }, "535"},
		{"a login that is not offered", secure, StartTLS, func(o *Options) { o.Username, o.Password = "u", secret }, "AUTH"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := startSink(t, c.sink)
			o := testOptions()
			o.Smarthost, o.SmarthostTLS, o.RootCAs = s.Address(), c.tls, pool
			if c.set != nil {
				c.set(&o)
			}
			g := startSender(t, o)
			err := g.Send(t.Context(), []link.Frame{frame("hello")})[0]
			if c.want != "" {
				states := fmt.Sprint(g.host.States())
				if !errors.Is(err, link.ErrDown) || !strings.Contains(states, c.want) || strings.Contains(states+err.Error(), secret) {
					t.Errorf("Send gave %v, states %s; want the link down with %q", err, states, c.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			m := s.Mails()[0]
			if m.Hello != domain || m.TLS != (c.tls != NoTLS) || m.To[0] != "qra@home.example" || !strings.HasPrefix(m.From, "bounce+") {
				t.Errorf("got %+v", m)
			}
			if len(m.Notify) != 1 || m.Notify[0] != smtp.DSNNotifyFailure || m.EnvID != "N0QRZ-10-000123" {
				t.Errorf("notify %v, envelope id %q", m.Notify, m.EnvID)
			}
		})
	}
}

// startSender runs a link that only sends, and waits for its first state.
func startSender(t testing.TB, o Options) *gateway {
	t.Helper()
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return runHost(t, a)
}

func TestAnswersOfTheSmarthost(t *testing.T) {
	for _, c := range []struct {
		name, step string
		code       int
		permanent  bool
		wait       time.Duration
	}{
		{"5xx at RCPT is final", "RCPT", 550, true, 0},
		{"5xx at MAIL is final", "MAIL", 553, true, 0},
		{"5xx after the text is final", "END", 554, true, 0},
		{"4xx at RCPT waits", "RCPT", 451, false, 2 * time.Minute},
		{"4xx after the text waits", "END", 452, false, 2 * time.Minute},
		{"421 waits", "RCPT", 421, false, 2 * time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			var refuse atomic.Bool
			refuse.Store(true)
			s := startSink(t, sink.Options{Answer: func(step, _ string) error {
				if step == c.step && refuse.Load() {
					return &smtp.SMTPError{Code: c.code, EnhancedCode: smtp.EnhancedCode{c.code / 100, 7, 1}, Message: "no \x1b[31mway"}
				}
				return nil
			}})
			o := testOptions()
			o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
			g := startSender(t, o)
			err := g.Send(t.Context(), []link.Frame{frame("hello")})[0]
			permanent, isPermanent := errors.AsType[*link.PermanentError](err)
			later, _ := errors.AsType[*link.LaterError](err)
			switch {
			case isPermanent != c.permanent:
				t.Errorf("got %v, want permanent %v", err, c.permanent)
			case isPermanent && permanent.Code != codeRefused:
				t.Errorf("code %q", permanent.Code)
			case !isPermanent && (later == nil || later.Wait != c.wait):
				t.Errorf("got %v, want a wait of %v", err, c.wait)
			case strings.Contains(err.Error(), "\x1b") || !strings.Contains(err.Error(), "way"):
				t.Errorf("the server's words are %q", err)
			}
			refuse.Store(false)
			if err := g.Send(t.Context(), []link.Frame{frame("next")})[0]; err != nil {
				t.Errorf("the next mail: %v", err)
			}
		})
	}
}

// Some servers let everybody in and say only to a mail that they want a login (RFC 4954
// section 6): nothing can go out, whatever the connection looks like.
func TestAMissingLoginIsSaid(t *testing.T) {
	var refuse atomic.Bool
	s := startSink(t, sink.Options{Answer: func(step, _ string) error {
		if step == "MAIL" && refuse.Load() {
			return &smtp.SMTPError{Code: 530, EnhancedCode: smtp.EnhancedCode{5, 7, 0}, Message: "Authentication required"}
		}
		return nil
	}})
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
	g := startSender(t, o)
	refuse.Store(true)
	err := g.Send(t.Context(), []link.Frame{frame("hello")})[0]
	if later, ok := errors.AsType[*link.LaterError](err); !ok || later.Wait != 10*time.Minute {
		t.Errorf("got %v, want a wait: it is no fault of the mail", err)
	}
	states := g.host.States()
	if last := states[len(states)-1]; last.Up || !strings.Contains(last.Why, "Authentication required") {
		t.Errorf("the link is %+v", last)
	}
	g.stop()

	g = startSender(t, o)
	if first := g.host.States()[0]; first.Up || !strings.Contains(first.Why, "set a user name") {
		t.Errorf("from the start it is %+v", first)
	}
	if err := g.Probe(t.Context(), func(string) {}); err == nil || !strings.Contains(err.Error(), "Authentication required") {
		t.Errorf("the probe finds %v", err)
	}
}

// What a station reads of an answer is cut at 80 bytes (bridge/tell.go).
func TestAnAnswerSaysWhyAtItsBeginning(t *testing.T) {
	f := frame("hello")
	for answer, want := range map[*smtp.SMTPError]string{
		{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "<" + f.Message.To + ">: Recipient address rejected: User unknown"}: "the mail server answered 550 5.1.1: Recipient address rejected: User unknown",
		{Code: 554, EnhancedCode: smtp.NoEnhancedCode, Message: "no\nthanks"}:                                                              "the mail server answered 554: no thanks",
	} {
		if got := verdict(answer, f).Error(); !strings.HasPrefix(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// A server that refuses the login is asked seldom, or it locks us out; one that is away
// is not.
func TestARefusedLoginIsTriedSeldom(t *testing.T) {
	certificate, pool, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	s := startSink(t, sink.Options{TLS: serverTLS(certificate), Username: "u", Password: secret})
	for password, want := range map[string]time.Duration{"no " + secret: lastLogin, secret: lastTry} {
		o := testOptions()
		o.Smarthost, o.RootCAs, o.Username, o.Password = s.Address(), pool, "u", password
		if want == lastTry {
			o.Smarthost = "127.0.0.1:1" // nothing listens there
		}
		a, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.post.connect(t.Context()); longest(err) != want {
			t.Errorf("%v: waits %v at most, want %v", err, longest(err), want)
		}
	}
}

// A server that takes connections and says nothing is named as what it is, and not
// by the connection that we closed ourselves.
func TestSilentServersAreNamed(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	o := Options{DialTimeout: time.Second, GreetTimeout: time.Second, Smarthost: l.Addr().String(), SmarthostTLS: NoTLS, Mailbox: Mailbox{Server: l.Addr().String(), TLS: NoTLS}}.withDefaults()
	v := &visit{fetcher: &fetcher{intake: intake{o: o}}}
	_, smarthost := newSmarthost(o, o.Log).dial(t.Context())
	for name, err := range map[string]error{"smarthost": smarthost, "mailbox": v.open(t.Context())} {
		if err == nil || !strings.Contains(err.Error(), "did not answer within 1s") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// RFC 5321 section 4.5.3.2 has a client wait for minutes: this server takes nearly all of
// them.
func TestASlowSmarthostIsWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var serving sync.WaitGroup
		defer serving.Wait()
		o := testOptions()
		o.Smarthost, o.SmarthostTLS = "slow.example:25", NoTLS
		o.Dial = func(context.Context, string, string) (net.Conn, error) {
			ours, its := net.Pipe()
			serving.Go(func() { serveSlowly(its) })
			return ours, nil
		}
		a, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		host := &adaptertest.Host{}
		serving.Go(func() { a.Run(ctx, host) })
		time.Sleep(9 * time.Minute)
		if !host.Up() {
			t.Fatalf("it is down: %v", host.States())
		}
		if err := a.Send(t.Context(), []link.Frame{frame("hello")})[0]; err != nil {
			t.Error(err)
		}
	})
}

// serveSlowly takes 290 s to greet, and for each answer to what a mail needs.
func serveSlowly(conn net.Conn) {
	defer conn.Close()
	in := bufio.NewReader(conn)
	for answer, wait := "220 slow", 290*time.Second; ; {
		time.Sleep(wait)
		fmt.Fprint(conn, answer+"\r\n")
		line, err := in.ReadString('\n')
		for ; answer[0] == '3' && line != ".\r\n" && err == nil; line, err = in.ReadString('\n') {
		}
		if err != nil {
			return
		}
		answer, wait = "250 done", time.Minute
		switch {
		case strings.HasPrefix(line, "MAIL FROM:<>"): // before the login is over
		case strings.HasPrefix(line, "MAIL"), strings.HasPrefix(line, "RCPT"):
			wait = 290 * time.Second
		case line == ".\r\n":
			wait = 590 * time.Second
		case line == "DATA\r\n":
			answer = "354 go on"
		}
	}
}

func TestUnknownOutcomeIsSentAgainUnderTheSameID(t *testing.T) {
	var first atomic.Bool
	s := startSink(t, sink.Options{Answer: func(step, _ string) error {
		if step == "END" && first.CompareAndSwap(false, true) {
			return sink.ErrHangup
		}
		return nil
	}})
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
	g := startSender(t, o)
	err := g.Send(t.Context(), []link.Frame{frame("hello")})[0]
	if _, permanent := errors.AsType[*link.PermanentError](err); err == nil || permanent {
		t.Fatalf("got %v, want a temporary error", err)
	}
	if !strings.Contains(err.Error(), "mail server") {
		t.Errorf("%q tells the operator nothing", err)
	}
	if err := g.Send(t.Context(), []link.Frame{frame("hello")})[0]; err != nil {
		t.Fatal(err)
	}
	if data := string(s.Mails()[0].Data); !strings.Contains(data, "<N0QRZ-10-000123@"+domain+">") {
		t.Errorf("sent again as\n%s", data)
	}
}

// RFC 5321 section 4.2: a client goes by the first digit, and takes a bare code.
func TestEveryYesToAMailIsOne(t *testing.T) {
	for _, answer := range []string{"250 ok", "250", "250 ", "200 ok", "250-2.0.0 queued\r\n250 as 1"} {
		t.Run(answer, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			mails := 0
			var served sync.WaitGroup
			served.Go(func() {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				defer conn.Close()
				fmt.Fprint(conn, "220 hello\r\n")
				for lines := bufio.NewScanner(conn); lines.Scan(); {
					switch line := lines.Text(); {
					case line == "DATA":
						fmt.Fprint(conn, "354 go on\r\n")
						for lines.Scan() && lines.Text() != "." {
						}
						mails++
						fmt.Fprint(conn, answer+"\r\n")
					case line == "QUIT":
						fmt.Fprint(conn, "221 bye\r\n")
						return
					default:
						fmt.Fprint(conn, "250 ok\r\n")
					}
				}
			})
			o := testOptions()
			o.Smarthost, o.SmarthostTLS = l.Addr().String(), NoTLS
			g := startSender(t, o)
			for i := range 2 { // the connection is good for another
				if err := g.Send(t.Context(), []link.Frame{frame(fmt.Sprint(i))})[0]; err != nil {
					t.Error(err)
				}
			}
			g.stop()
			l.Close()
			if served.Wait(); mails != 2 {
				t.Errorf("%d mails came, want 2", mails)
			}
		})
	}
}

func TestConnectionsAreUsedAgain(t *testing.T) {
	s := startSink(t, sink.Options{})
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
	g := startSender(t, o)
	for i := range mostMails + 20 {
		if err := g.Send(t.Context(), []link.Frame{frame(fmt.Sprint(i))})[0]; err != nil {
			t.Fatal(err)
		}
	}
	if n := s.Sessions(); n != 2 {
		t.Errorf("%d mails took %d sessions, want 2", mostMails+20, n)
	}
}

// go-smtp greets anew after RSET, and some servers take one EHLO only. That is said of
// the session (RFC 5321 section 4.2.3), never of the mail.
func TestAServerThatIsGreetedOnceLosesNoMail(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var never atomic.Bool
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go greetedOnce(conn, &never)
		}
	}()
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = l.Addr().String(), NoTLS
	g := startSender(t, o)
	for i := range 3 {
		if err := g.Send(t.Context(), []link.Frame{frame(fmt.Sprint(i))})[0]; err != nil {
			t.Errorf("mail %d: %v", i, err)
		}
	}
	if err := g.Probe(t.Context(), func(string) {}); err != nil {
		t.Errorf("the probe: %v", err)
	}
	never.Store(true)
	err = g.Send(t.Context(), []link.Frame{frame("later")})[0]
	if _, ok := errors.AsType[*link.LaterError](err); !ok {
		t.Errorf("got %v, want a wait", err)
	}
}

// greetedOnce serves a client that may say EHLO once, and with never set may not send.
func greetedOnce(conn net.Conn, never *atomic.Bool) {
	defer conn.Close()
	fmt.Fprint(conn, "220 hello\r\n")
	greeted := false
	for lines := bufio.NewScanner(conn); lines.Scan(); {
		switch verb, _, _ := strings.Cut(lines.Text(), " "); {
		case (verb == "EHLO" || verb == "HELO") && greeted, verb == "MAIL" && never.Load():
			fmt.Fprint(conn, "503 bad sequence of commands\r\n")
		case verb == "EHLO":
			greeted = true
			fmt.Fprint(conn, "250 ok\r\n")
		case verb == "DATA":
			fmt.Fprint(conn, "354 go on\r\n")
			for lines.Scan() && lines.Text() != "." {
			}
			fmt.Fprint(conn, "250 ok\r\n")
		case verb == "QUIT":
			return
		default:
			fmt.Fprint(conn, "250 ok\r\n")
		}
	}
}

// A provider may let an account send from its own addresses only. Each mail would fail, and
// nobody know before.
func TestASmarthostThatRefusesOurAddresses(t *testing.T) {
	for _, c := range []struct {
		name, at string // a step and the beginning of its address; $ ends it
		answer   *smtp.SMTPError
		want     string
	}{
		{"the address for reports", "MAIL bounce+", &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 7, 1}, Message: "not your address"}, "takes no mail from <bounce+"},
		{"and says so late", "RCPT ", &smtp.SMTPError{Code: 553, EnhancedCode: smtp.EnhancedCode{5, 7, 1}, Message: "Sender address rejected: not owned by user gateway"}, "takes no mail from <bounce+"},
		{"no sender at all", "MAIL $", &smtp.SMTPError{Code: 501, EnhancedCode: smtp.EnhancedCode{5, 1, 7}, Message: "bad sender"}, "takes no mail from <>"},
		{"us for now", "MAIL bounce+", &smtp.SMTPError{Code: 450, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "greylisted"}, ""},
		{"the recipient", "RCPT ", &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := startSink(t, sink.Options{Answer: func(step, address string) error {
				if strings.HasPrefix(step+" "+address+"$", c.at) {
					return c.answer
				}
				return nil
			}})
			o := testOptions()
			o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
			a, err := New(o)
			if err != nil {
				t.Fatal(err)
			}
			err = a.Probe(t.Context(), func(string) {})
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("the probe says %v", err)
			}
			if len(s.Mails()) > 0 {
				t.Error("it sent a mail")
			}
		})
	}
}

// Many servers allow a client only a few connections (Postfix:
// smtpd_client_connection_count_limit) and greet the next one with 421.
func TestAServerWithFewConnectionsIsNotDown(t *testing.T) {
	const allowed = 2
	var open atomic.Int32
	refused := make(chan struct{})
	once := sync.OnceFunc(func() { close(refused) })
	s := startSink(t, sink.Options{Answer: func(step, _ string) error {
		if step == "END" {
			<-refused // so that more are asked for while these are under way
		}
		return nil
	}})
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
	o.Dial = func(ctx context.Context, network, address string) (net.Conn, error) {
		if open.Add(1) <= allowed {
			conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
			return &counted{Conn: conn, open: &open}, err
		}
		open.Add(-1)
		near, far := net.Pipe()
		go func() {
			fmt.Fprint(far, "421 4.7.0 too many connections from you\r\n")
			far.Close()
			once()
		}()
		return near, nil
	}
	g := startSender(t, o)
	var sending sync.WaitGroup
	for i := range 4 * allowed {
		sending.Go(func() {
			if err := g.Send(t.Context(), []link.Frame{frame(fmt.Sprint("text ", i))})[0]; err != nil {
				t.Errorf("mail %d: %v", i, err)
			}
		})
	}
	sending.Wait()
	if got := len(s.Mails()); got != 4*allowed {
		t.Errorf("%d mails arrived, want %d", got, 4*allowed)
	}
	if states := g.host.States(); len(states) != 1 {
		t.Errorf("the link's states were %v, want it up throughout", states)
	}
}

// counted is a connection that counts down once when it is closed.
type counted struct {
	net.Conn
	open *atomic.Int32
	once sync.Once
}

func (c *counted) Close() error {
	c.once.Do(func() { c.open.Add(-1) })
	return c.Conn.Close()
}

func TestAnIdleConnectionThatDiedCostsNothing(t *testing.T) {
	s := startSink(t, sink.Options{})
	o := testOptions()
	o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
	g := startSender(t, o)
	if err := g.Send(t.Context(), []link.Frame{frame("one")})[0]; err != nil {
		t.Fatal(err)
	}
	g.post.mu.Lock()
	for _, c := range g.post.idle {
		c.conn.Close()
	}
	g.post.mu.Unlock()
	if err := g.Send(t.Context(), []link.Frame{frame("two")})[0]; err != nil {
		t.Fatal(err)
	}
	if len(s.Mails()) != 2 {
		t.Errorf("%d mails", len(s.Mails()))
	}
}

func TestWhatIsNeverMailed(t *testing.T) {
	o := testOptions()
	o.Listen = "127.0.0.1:0"
	receiver, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	o.Smarthost, o.SmarthostTLS = "127.0.0.1:9", NoTLS
	sender, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	receipt, lost := frame("ack"), frame("x")
	receipt.Message.Kind = message.Receipt
	lost.Message.To = "N0QRA"
	for name, err := range map[string]error{
		"a receipt":                sender.Send(t.Context(), []link.Frame{receipt})[0],
		"a call sign":              sender.Send(t.Context(), []link.Frame{lost})[0],
		"anything, only receiving": receiver.Send(t.Context(), []link.Frame{frame("x")})[0],
	} {
		if _, permanent := errors.AsType[*link.PermanentError](err); !permanent {
			t.Errorf("%s: got %v, want a permanent error", name, err)
		}
	}
}

func BenchmarkSend(b *testing.B) {
	for _, at := range []int{1, parallel} {
		b.Run(fmt.Sprintf("at=%d", at), func(b *testing.B) {
			s := startSink(b, sink.Options{})
			o := testOptions()
			o.Smarthost, o.SmarthostTLS = s.Address(), NoTLS
			g := startSender(b, o)
			b.SetParallelism(at)
			slots := make(chan struct{}, at)
			b.RunParallel(func(pb *testing.PB) {
				for pb.Next() {
					slots <- struct{}{}
					if err := g.Send(context.Background(), []link.Frame{frame("hello")})[0]; err != nil {
						b.Error(err)
					}
					<-slots
				}
			})
		})
	}
}
