package mail

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-message"
	"github.com/emersion/go-smtp"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/mail/sink"
	"posthouse/bridge/link"
	bridge "posthouse/bridge/message"
)

const secret = "correct horse battery"

func TestAdapter(t *testing.T) {
	adaptertest.Run(t, adaptertest.Kit{
		New:      newPeer,
		In:       bridge.Message{From: "qra@home.example", To: "N0QRB-9"},
		Out:      bridge.Message{From: "N0QRB-9", To: "qra@home.example"},
		Confirms: true, SaysNo: true,
		Secret: secret,
		Junk:   [][]byte{[]byte("EHLO x\r\nMAIL FROM:<>\r\nRCPT TO:<" + strings.Repeat("a", 900) + "@x>\r\nDATA\r\n.\r\n")},
		Texts:  []string{"two\nlines", ".", "-- with us", "not > a quote", strings.Repeat("long line ", 150) + "end"},
	})
}

// settled is the link once it has come up for the first time: the suite sends as
// soon as it has called Run in the background.
type settled struct {
	*Adapter
	up   chan struct{}
	once sync.Once
}

func (s *settled) Run(ctx context.Context, host link.Host) error {
	return s.Adapter.Run(ctx, stateSeen{host, s})
}

func (s *settled) Send(ctx context.Context, frames []link.Frame) []error {
	select {
	case <-s.up:
	case <-ctx.Done():
	case <-time.After(time.Second):
	}
	return s.Adapter.Send(ctx, frames)
}

type stateSeen struct {
	link.Host
	of *settled
}

func (h stateSeen) State(up bool, why string) {
	h.Host.State(up, why)
	h.of.once.Do(func() { close(h.of.up) })
}

// farSide is the world on the other side of a mail link: one smarthost and any
// number of clients that write to the gateway.
type farSide struct {
	t       testing.TB
	gateway string
	heard   chan string
	options sink.Options

	mu      sync.Mutex
	end     context.CancelFunc
	stopped <-chan struct{}
	clients []net.Conn
	next    *smtp.SMTPError // for the next mail
	stall   chan struct{}   // nil: not stalled
	calls   sync.WaitGroup
}

func newPeer(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
	certificate, pool, err := sink.Certificate("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	far := &farSide{t: t, gateway: l.Addr().String(), heard: make(chan string, 100)}
	far.options = sink.Options{TLS: serverTLS(certificate), Username: "n0qrz", Password: secret, Answer: far.answer}
	far.mend()
	o := testOptions()
	o.Listener, o.Log = l, log
	o.Smarthost, o.Username, o.Password, o.RootCAs = far.options.Address, "n0qrz", secret, pool
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.cut(); l.Close(); far.calls.Wait() })
	return &settled{a, make(chan struct{}), sync.Once{}}, adaptertest.Peer{
		Say: far.say, Heard: far.heard, Cut: far.cut, Mend: far.mend, Junk: far.junk,
		Refuse: func() { far.answerNext(554) },
		Defer:  func() { far.answerNext(451) },
		Stall: func() {
			far.mu.Lock()
			defer far.mu.Unlock()
			far.stall = make(chan struct{})
		},
	}
}

func (f *farSide) answerNext(code int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.next = &smtp.SMTPError{Code: code, EnhancedCode: smtp.EnhancedCode{code / 100, 0, 0}, Message: "not this one"}
}

func (f *farSide) answer(step, _ string) error {
	f.mu.Lock()
	next, stall := f.next, f.stall
	if step == "RCPT" {
		f.next = nil
	}
	f.mu.Unlock()
	if stall != nil {
		<-stall
	}
	if step == "RCPT" && next != nil {
		return next
	}
	return nil
}

// mend starts the smarthost, at the address that it had.
func (f *farSide) mend() {
	f.cut()
	ctx, end := context.WithCancel(context.Background())
	s, err := sink.Start(ctx, f.options)
	if err != nil {
		f.t.Error(err)
		end()
		return
	}
	f.mu.Lock()
	f.options.Address, f.end, f.stopped = s.Address(), end, s.Stopped()
	f.mu.Unlock()
	f.calls.Go(func() {
		for n := 1; ; n++ {
			mails, err := s.Wait(ctx, n)
			if err != nil {
				return
			}
			f.heard <- readAsPerson(mails[n-1].Data)
		}
	})
}

func (f *farSide) cut() {
	f.mu.Lock()
	end, stopped, clients := f.end, f.stopped, f.clients
	f.end, f.clients = nil, nil
	if f.stall != nil {
		close(f.stall)
		f.stall = nil
	}
	f.mu.Unlock()
	for _, c := range clients {
		c.Close()
	}
	if end != nil {
		end()
		<-stopped
	}
}

func (f *farSide) dial() net.Conn {
	conn, err := net.Dial("tcp", f.gateway)
	if err != nil {
		return nil
	}
	f.mu.Lock()
	f.clients = append(f.clients, conn)
	f.mu.Unlock()
	return conn
}

func (f *farSide) say(m bridge.Message) <-chan adaptertest.Answer {
	answers := make(chan adaptertest.Answer, 1)
	conn := f.dial()
	if conn == nil {
		return answers
	}
	f.calls.Go(func() {
		c := smtp.NewClient(conn)
		defer c.Close()
		err := c.SendMail(m.From, []string{strings.ToLower(m.To) + "@" + domain}, strings.NewReader(
			crlf("From: "+m.From+"\nMessage-ID: <"+m.OriginID+"@home.example>\nMIME-Version: 1.0\nContent-Type: text/plain; charset=utf-8\n\n"+m.Text+"\n")))
		if answer, ok := err.(*smtp.SMTPError); err != nil && !ok {
			return // cut off
		} else if err == nil {
			answers <- adaptertest.Taken
		} else if answer.Temporary() {
			answers <- adaptertest.Later
		} else {
			answers <- adaptertest.Refused
		}
	})
	return answers
}

func (f *farSide) junk(b []byte) {
	conn := f.dial()
	if conn == nil {
		return
	}
	conn.SetDeadline(time.Now().Add(time.Second))
	conn.Write(b)
	conn.Close()
}

// readAsPerson gives a mail's text as its reader sees it, without the footer.
func readAsPerson(data []byte) string {
	e, err := message.Read(bytes.NewReader(data))
	if err != nil {
		return "unreadable: " + err.Error()
	}
	var b bytes.Buffer
	if _, err := b.ReadFrom(e.Body); err != nil {
		return "unreadable: " + err.Error()
	}
	text, _, _ := strings.Cut(strings.ReplaceAll(b.String(), "\r\n", "\n"), "\n\n-- \n")
	return text
}
