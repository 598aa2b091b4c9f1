package mail

import (
	"context"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"go.uber.org/goleak"

	"posthouse/adapters/adaptertest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var testKey = []byte("sixteen bytes of key")

const domain = "radio.club.example"

// nobody is a list of relays without any: all of the loopback is a stranger.
var nobody = []netip.Prefix{}

func testOptions() Options {
	return Options{
		Name: "post", Call: "N0QRZ-10", Domain: domain, BounceKey: testKey,
		Allow: []Allow{
			{Address: "qra@home.example", Call: "N0QRA"},
			{Address: "*@county.example"},
		},
		ReplyFor: func(address, station string) bool { return address == "friend@far.example" && station == "N0QRB-9" },
	}
}

// bouncing gives options that make bounce addresses under a key.
func bouncing(key []byte) *Options { return &Options{Domain: domain, BounceKey: key} }

// gateway is a running link between a Host and the sockets.
type gateway struct {
	*Adapter
	host    *adaptertest.Host
	address string
	stop    func() error
	err     error // of Run
}

// startGateway runs a link with an SMTP server on the loopback.
func startGateway(t testing.TB, change func(*Options)) *gateway {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o := testOptions()
	o.Listener = l
	if change != nil {
		change(&o)
	}
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	g := runHost(t, a)
	g.address = l.Addr().String()
	return g
}

// runHost runs a link with a host of its own.
func runHost(t testing.TB, a *Adapter) *gateway {
	t.Helper()
	g := &gateway{Adapter: a, host: &adaptertest.Host{}}
	g.runOn(t)
	return g
}

// runOn runs the link with its host until the test ends, and waits for its first
// state.
func (g *gateway) runOn(t testing.TB) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { g.err = g.Run(ctx, g.host); close(ended) }()
	g.stop = func() error { cancel(); <-ended; return g.err }
	t.Cleanup(func() { g.stop() })
	wait, done := context.WithTimeout(context.Background(), 10*time.Second)
	defer done()
	if !g.host.Wait(wait, func() bool { return len(g.host.States()) > 0 }) {
		t.Fatal("the link reports no state")
	}
}

// clock is a time that a test moves.
type clock struct{ ahead atomic.Int64 }

func (c *clock) read() time.Time     { return time.Now().Add(time.Duration(c.ahead.Load())) }
func (c *clock) add(d time.Duration) { c.ahead.Add(int64(d)) }

// deliver sends one mail as a mail client does and gives the answer.
func (g *gateway) deliver(t testing.TB, from string, to []string, data string) error {
	t.Helper()
	c, err := smtp.Dial(g.address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return c.SendMail(from, to, strings.NewReader(data))
}

// code gives an answer's reply code and enhanced status code; 250 for none.
func code(t testing.TB, err error) string {
	t.Helper()
	if err == nil {
		return "250"
	}
	answer, ok := err.(*smtp.SMTPError)
	if !ok {
		t.Fatalf("no SMTP answer but %v", err)
	}
	return codeText(answer)
}

func codeText(e *smtp.SMTPError) string {
	var b strings.Builder
	for i, n := range []int{e.Code, e.EnhancedCode[0], e.EnhancedCode[1], e.EnhancedCode[2]} {
		if i > 0 {
			b.WriteByte("  .."[i])
		}
		b.WriteString(strconv.Itoa(n))
	}
	return b.String()
}

// crlf makes a mail of a test's text.
func crlf(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }

// plain is a mail from a sender with the fields that every mail has.
func plain(from, to, subject, body string) string {
	return crlf("From: " + from + "\nTo: " + to + "\nSubject: " + subject +
		"\nDate: " + time.Now().Format(time.RFC1123Z) + "\nMessage-ID: <1@home.example>\n\n" + body + "\n")
}
