package mail

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/netip"
	"runtime"
	"strings"
	"testing"
	"time"

	"posthouse/adapters/mail/sink"
)

// talk writes bytes to the server as they are and gives all that it answers.
func (g *gateway) talk(t testing.TB, input io.Reader) string {
	t.Helper()
	conn, err := net.Dial("tcp", g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	go func() {
		io.Copy(conn, input)
		conn.(*net.TCPConn).CloseWrite()
	}()
	answers, _ := io.ReadAll(conn)
	return string(answers)
}

const begin = "EHLO x.example\r\nMAIL FROM:<qra@home.example>\r\n"

func envelope() string { return begin + "RCPT TO:<n0qrb-9@" + domain + ">\r\nDATA\r\n" }

// count gives how many answers begin with a code.
func count(answers, code string) (n int) {
	for line := range strings.Lines(answers) {
		if strings.HasPrefix(line, code) {
			n++
		}
	}
	return n
}

// A connection that ends in the middle of a chunk (RFC 3030 section 2) leaves half a
// mail, whether TCP or TLS ends it.
func TestChunksThatEndEarly(t *testing.T) {
	certificate, roots, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	half := plain("qra@home.example", "n0qrb-9@radio.club.example", "Water", "two cans\n")
	rest := "and bread\r\n"
	for _, c := range []struct {
		name, sent string
		kept       int
	}{
		{"whole", fmt.Sprintf("BDAT %d LAST\r\n%s%sQUIT\r\n", len(half+rest), half, rest), 1},
		{"whole in two", fmt.Sprintf("BDAT %d\r\n%sBDAT %d LAST\r\n%sQUIT\r\n", len(half), half, len(rest), rest), 1},
		{"cut", fmt.Sprintf("BDAT %d LAST\r\n%s", len(half+rest), half), 0},
		{"cut in the second", fmt.Sprintf("BDAT %d\r\n%sBDAT %d LAST\r\nand\r\n", len(half), half, len(rest)), 0},
		{"no last one", fmt.Sprintf("BDAT %d\r\n%s", len(half), half), 0},
	} {
		for _, secure := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, TLS %v", c.name, secure), func(t *testing.T) {
				g := startGateway(t, func(o *Options) { o.Certificate = func() *tls.Certificate { return &certificate } })
				say := begin + "RCPT TO:<n0qrb-9@" + domain + ">\r\n" + c.sent
				var answers string
				if secure {
					answers = g.talkTLS(t, roots, say)
				} else {
					answers = g.talk(t, strings.NewReader(say))
				}
				g.stop() // all is judged now
				if kept := g.host.Kept(); len(kept) != c.kept {
					t.Errorf("kept %+v\nanswers:\n%s", kept, answers)
				}
				if taken := strings.Contains(answers, "queued"); taken != (c.kept > 0) {
					t.Errorf("taken %v, answers:\n%s", taken, answers)
				}
			})
		}
	}
}

// A client that takes a mail back between two chunks (RSET, RFC 5321 section 4.1.1.5), or
// sends one that is too large, may go on with the next in the same connection.
func TestChunksThatAreTakenBack(t *testing.T) {
	mail := plain("qra@home.example", "n0qrb-9@radio.club.example", "Water", "two cans\n")
	chunk := fmt.Sprintf("BDAT %d\r\n%s", len(mail), mail)
	again := begin[len("EHLO x.example\r\n"):] + "RCPT TO:<n0qrb-9@" + domain + ">\r\n"
	for _, c := range []struct{ name, between string }{
		{"RSET", "RSET\r\n"},
		{"too large", fmt.Sprintf("BDAT %d LAST\r\n%s", 70_000, strings.Repeat("xxxxxxxx\r\n", 7_000))},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := startGateway(t, nil)
			answers := g.talk(t, strings.NewReader(begin+"RCPT TO:<n0qrb-9@"+domain+">\r\n"+
				chunk+c.between+again+strings.Replace(chunk, "\r\n", " LAST\r\n", 1)+"QUIT\r\n"))
			if kept := g.host.Kept(); len(kept) != 1 || kept[0].Text != "Water: two cans" {
				t.Errorf("kept %+v\nanswers:\n%s", kept, answers)
			}
			if count(answers, "221") != 1 {
				t.Errorf("answers:\n%s", answers)
			}
		})
	}
}

// talkTLS is talk behind STARTTLS. What ends with QUIT waits for the answers.
func (g *gateway) talkTLS(t *testing.T, roots *x509.CertPool, input string) string {
	t.Helper()
	conn, err := net.Dial("tcp", g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	r := bufio.NewReader(conn)
	io.WriteString(conn, "EHLO x.example\r\nSTARTTLS\r\n")
	for line := ""; !strings.HasPrefix(line, "220 2.0.0"); {
		if line, err = r.ReadString('\n'); err != nil {
			t.Fatal(err)
		}
	}
	secure := tls.Client(conn, &tls.Config{RootCAs: roots, ServerName: "127.0.0.1"})
	if _, err := io.WriteString(secure, input); err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(input, "QUIT\r\n") {
		secure.CloseWrite() // at once, while the server reads
	}
	answers, _ := io.ReadAll(secure)
	return string(answers)
}

func TestTenThousandRecipients(t *testing.T) {
	g := startGateway(t, nil)
	var b strings.Builder
	b.WriteString(begin)
	for i := range 10_000 {
		fmt.Fprintf(&b, "RCPT TO:<n0q%04d@%s>\r\n", i, domain)
	}
	b.WriteString("DATA\r\nFrom: qra@home.example\r\n\r\nhello\r\n.\r\nQUIT\r\n")
	answers := g.talk(t, strings.NewReader(b.String()))
	if n := count(answers, "452 4.5.3"); n != 10_000-maxRecipients { // RFC 5321 section 4.5.3.1.10
		t.Errorf("%d recipients were deferred", n)
	}
	if kept := g.host.Kept(); len(kept) != maxRecipients {
		t.Errorf("%d texts were taken over, want %d", len(kept), maxRecipients)
	}
}

func TestTryingNamesEndsTheSession(t *testing.T) {
	g := startGateway(t, nil)
	answers := g.talk(t, strings.NewReader(begin+strings.Repeat("RCPT TO:<x@else.example>\r\n", 1000)))
	if n := count(answers, "550 5.7.1"); n != maxRefusals || count(answers, "421") == 0 {
		t.Errorf("%d refusals, then %.200q", n, answers)
	}
}

// A mail of 50 MB is read away and refused, and stays nowhere.
func TestFiftyMegabytes(t *testing.T) {
	g := startGateway(t, nil)
	if answers := g.talk(t, strings.NewReader("EHLO x\r\nMAIL FROM:<qra@home.example> SIZE=52428800\r\nQUIT\r\n")); count(answers, "552 5.3.4") != 1 {
		t.Errorf("a declared size was answered %q", answers)
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	line := bytes.Repeat([]byte("x"), 998)
	body := strings.NewReader(strings.Repeat(string(line)+"\r\n", 1000))
	pieces := []io.Reader{strings.NewReader(envelope() + "From: qra@home.example\r\n\r\n")}
	for range 50 {
		pieces = append(pieces, io.NewSectionReader(body, 0, body.Size()))
	}
	pieces = append(pieces, strings.NewReader(".\r\nNOOP\r\nQUIT\r\n"))
	answers := g.talk(t, io.MultiReader(pieces...))
	runtime.GC()
	runtime.ReadMemStats(&after)
	if count(answers, "552 5.3.4") != 1 || count(answers, "221") != 1 || len(g.host.Kept()) != 0 {
		t.Errorf("answered %q", answers)
	}
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 8<<20 {
		t.Errorf("the heap grew by %d bytes", grown)
	}
}

func TestHostileMails(t *testing.T) {
	deep := func(levels int) string {
		s := "From: qra@home.example\r\n"
		for i := range levels {
			s += fmt.Sprintf("Content-Type: multipart/mixed; boundary=b%d\r\n\r\n--b%d\r\n", i, i)
		}
		s += "\r\nhello\r\n"
		for i := range levels {
			s += fmt.Sprintf("--b%d--\r\n", levels-1-i)
		}
		return s
	}
	const from = "From: qra@home.example\r\n"
	for _, c := range []struct {
		name, data, want string // want is empty where the session is cut, and the answer may be lost with it
	}{
		{"100 multiparts deep", deep(100), "554 5.6.0"},
		{"as deep as may be", deep(maxDepth), "250"},
		{"one multipart too deep", deep(maxDepth + 1), "554 5.6.0"},
		{"1000 parts", from + "Content-Type: multipart/mixed; boundary=b\r\n\r\n" + strings.Repeat("--b\r\n\r\nx\r\n", 1000) + "--b--\r\n", "554 5.6.0"},
		{"1 MB header", from + "Subject: " + strings.Repeat("x\r\n ", 350_000) + "\r\n\r\nhello\r\n", "552 5.3.4"},
		{"NUL bytes", from + "\r\nhel\x00lo\r\n", "554 5.6.0"},
		{"LF alone", from + "\r\nhello\nworld\r\n", "554 5.6.0"},
		{"CR alone", from + "\r\nhello\rworld\r\n", "554 5.6.0"},
		{"no header at all", "hello\r\n", "554 5.6.0"},
		{"31 servers", strings.Repeat("Received: by x.example\r\n", 31) + from + "\r\nhello\r\n", "554 5.4.6"},
		{"base64 that is none", from + "Content-Transfer-Encoding: base64\r\n\r\n!!!!\r\n", "554 5.6.0"},
		{"HTML 10,000 deep", from + "Content-Type: text/html\r\n\r\n" + strings.Repeat("<b>\r\n", 10_000) + "\r\n", "554 5.6.0"},
		{"a line of 3000 octets", from + "\r\n" + strings.Repeat("x", 3000) + "\r\n", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := startGateway(t, nil)
			answers := g.talk(t, strings.NewReader(envelope()+c.data+".\r\nQUIT\r\n"))
			_, after, _ := strings.Cut(answers, "\r\n354 ")
			_, got, _ := strings.Cut(after, "\r\n")
			if !strings.HasPrefix(got, c.want) {
				t.Errorf("answered %q, want %s", got, c.want)
			}
			if kept := g.host.Kept(); (len(kept) != 0) != (c.want == "250") {
				t.Errorf("taken over: %+v", kept)
			}
		})
	}
}

// The ends of data that smuggling uses; only CR LF . CR LF is one (RFC 5321
// section 4.1.1.4).
func TestSmuggling(t *testing.T) {
	for _, end := range []string{"\n.\n", "\n.\r\n", "\r\n.\n", "\r.\r", "\r\n.\r", "\r.\r\n", "\n.\r"} {
		t.Run(fmt.Sprintf("%q", end), func(t *testing.T) {
			g := startGateway(t, nil)
			inner := "MAIL FROM:<qra@home.example>\r\nRCPT TO:<n0qrc@" + domain + ">\r\nDATA\r\nFrom: qra@home.example\r\n\r\nsmuggled\r\n"
			answers := g.talk(t, strings.NewReader(envelope()+"From: qra@home.example\r\n\r\nhello"+end+inner+".\r\nQUIT\r\n"))
			if count(answers, "354") != 1 {
				t.Errorf("answered %q", answers)
			}
			kept := g.host.Kept()
			if end == "\r\n.\r" { // go-smtp drops these two bytes; the rest is text of the one mail
				if len(kept) != 1 || kept[0].To != "N0QRB-9" {
					t.Errorf("taken over: %+v", kept)
				}
			} else if len(kept) != 0 || count(answers, "554 5.6.0") != 1 {
				t.Errorf("answered %q, taken over: %+v", answers, kept)
			}
		})
	}
}

func TestSlowClientIsCutOff(t *testing.T) {
	g := startGateway(t, func(o *Options) { o.ReadTimeout = 200 * time.Millisecond })
	conn, err := net.Dial("tcp", g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	conn.Write([]byte(envelope() + "From: qra@home.example\r\n\r\n"))
	pace := time.NewTicker(50 * time.Millisecond)
	defer pace.Stop()
	// A line now and then does not help: the whole text has one time limit.
	for begun := time.Now(); err == nil; <-pace.C {
		if time.Since(begun) > 10*time.Second {
			t.Fatal("the slow client was not cut off")
		}
		_, err = conn.Write([]byte("still here\r\n"))
	}
	if len(g.host.Kept()) != 0 {
		t.Error("half a mail was taken over")
	}
}

func TestOneClientCannotTakeAllConnections(t *testing.T) {
	g := startGateway(t, func(o *Options) { o.Relays = []netip.Prefix{} })
	var last string
	for range maxPerClient + 1 {
		conn, err := net.Dial("tcp", g.address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(10 * time.Second))
		if last, err = bufio.NewReader(conn).ReadString('\n'); err != nil {
			t.Fatal(err)
		}
	}
	if !strings.HasPrefix(last, "421 4.7.0") {
		t.Errorf("connection %d was greeted %q", maxPerClient+1, last)
	}
}

// TestStrangersLeaveRoomForTheOwnServers: silent connections from many addresses
// do not keep the operator's own mail server out.
func TestStrangersLeaveRoomForTheOwnServers(t *testing.T) {
	relay := netip.MustParsePrefix("127.0.0.99/32")
	g := startGateway(t, func(o *Options) { o.Relays = []netip.Prefix{relay} })
	greeted := func(from netip.Addr) string {
		d := net.Dialer{LocalAddr: net.TCPAddrFromAddrPort(netip.AddrPortFrom(from, 0)), Timeout: 10 * time.Second}
		conn, err := d.Dial("tcp", g.address)
		if err != nil {
			t.Skipf("this system has no other address on its loopback: %v", err)
		}
		t.Cleanup(func() { conn.Close() })
		conn.SetDeadline(time.Now().Add(10 * time.Second))
		line, err := bufio.NewReader(conn).ReadString('\n')
		if err != nil {
			t.Fatalf("%v: %v", from, err)
		}
		return line[:3]
	}
	for i := range maxConnections {
		want := "220"
		if i >= maxStrangers {
			want = "421"
		}
		if got := greeted(netip.AddrFrom4([4]byte{127, 0, 0, byte(10 + i)})); got != want {
			t.Errorf("stranger %d was greeted %s, want %s", i+1, got, want)
		}
	}
	if got := greeted(relay.Addr()); got != "220" {
		t.Errorf("the operator's own server was greeted %s", got)
	}
}

func TestStopWithAClientInTheMiddle(t *testing.T) {
	g := startGateway(t, nil)
	conn, err := net.Dial("tcp", g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	r := bufio.NewReader(conn)
	fmt.Fprint(conn, envelope()+"From: qra@home.example\r\n\r\nhal")
	for line := ""; !strings.HasPrefix(line, "354"); {
		if line, err = r.ReadString('\n'); err != nil {
			t.Fatal(err)
		}
	}
	begun := time.Now()
	if err := g.stop(); err != context.Canceled {
		t.Errorf("Run gave %v", err)
	}
	if took := time.Since(begun); took > stopWait+time.Second {
		t.Errorf("stopping took %v", took)
	}
	if len(g.host.Kept()) != 0 {
		t.Error("half a mail was taken over")
	}
}
