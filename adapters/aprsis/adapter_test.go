package aprsis_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/aprsis"
	"posthouse/adapters/aprsis/standin"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

var passcode = strconv.Itoa(aprsis.Passcode(gateway))

func TestNewChecksItsSettings(t *testing.T) {
	good := aprsis.Options{Server: "aprs.example:14580", Call: gateway, Passcode: passcode}
	for _, c := range []struct {
		name  string
		spoil func(*aprsis.Options)
		says  string
	}{
		{"no call sign", func(o *aprsis.Options) { o.Call = "" }, "call sign"},
		{"a portable call sign", func(o *aprsis.Options) { o.Call = "DL/N0QRA" }, "AX.25"},
		{"the placeholder", func(o *aprsis.Options) { o.Call = "N0CALL-10" }, "placeholder"},
		{"somebody else's passcode", func(o *aprsis.Options) { o.Call = "N0QRB" }, "does not belong to N0QRB"},
		{"a server without port", func(o *aprsis.Options) { o.Server = "aprs.example" }, "host:port"},
		{"a filter with a line end", func(o *aprsis.Options) { o.Filter = "r/1/2/3\x00" }, "printable"},
		{"an endless filter", func(o *aprsis.Options) { o.Filter = strings.Repeat("b/N0QRA ", 30) }, "200 characters"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := good
			c.spoil(&o)
			a, err := aprsis.New(o)
			if a != nil || err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), passcode) {
				t.Errorf("got %v, want an error that says %q and hides the passcode", err, c.says)
			}
		})
	}
	a, err := aprsis.New(good)
	if err != nil {
		t.Fatal(err)
	}
	p := a.Properties()
	if p.Medium.MaxBytes != 67 || !p.Medium.ASCII || p.Medium.MaxParts != 3 || p.AckWait != 15*time.Second || p.Resends != 7 || !p.OnePerAddressee || p.Radio {
		t.Errorf("properties are %+v", p)
	}
}

// bench is a link and a server in a bubble of time, joined by pipes.
type bench struct {
	*testing.T
	ctx    context.Context
	server *standin.Server
	host   adaptertest.Host
	link   *aprsis.Adapter
	began  time.Time
	ended  chan error
	stop   context.CancelFunc

	mu    sync.Mutex
	dials []time.Duration // when, from the start
	away  bool
}

// inBubble runs a link with time moved by synctest.
func inBubble(t *testing.T, change func(*aprsis.Options), f func(*bench)) {
	synctest.Test(t, func(t *testing.T) {
		b := &bench{T: t, began: time.Now(), ended: make(chan error, 1)}
		b.ctx, b.stop = context.WithCancel(t.Context())
		b.server = standin.New(t.Context())
		var conns sync.WaitGroup
		o := aprsis.Options{Name: "aprs", Server: "aprs.example:14580", Call: gateway, Passcode: passcode, Version: "1.0", Log: slog.New(slog.DiscardHandler)}
		o.Dial = func(context.Context, string, string) (net.Conn, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.dials = append(b.dials, time.Since(b.began))
			if b.away {
				return nil, errors.New("connection refused")
			}
			ours, theirs := net.Pipe()
			conns.Go(func() { b.server.ServeConn(theirs) })
			return ours, nil
		}
		if change != nil {
			change(&o)
		}
		var err error
		if b.link, err = aprsis.New(o); err != nil {
			t.Fatal(err)
		}
		go func() { b.ended <- b.link.Run(b.ctx, &b.host) }()
		synctest.Wait()
		f(b)
		b.stop()
		if err := <-b.ended; !errors.Is(err, context.Canceled) {
			t.Errorf("Run returned %v", err)
		}
		b.server.Close()
		conns.Wait()
	})
}

func (b *bench) state() adaptertest.State {
	all := b.host.States()
	return all[len(all)-1]
}

func (b *bench) send(f link.Frame) error { return b.link.Send(b.ctx, []link.Frame{f})[0] }

func (b *bench) raw(lines ...string) {
	for _, line := range lines {
		if !b.server.Raw(gateway, []byte(line+"\r\n")) {
			b.Fatalf("the link is not there to be told %q", line)
		}
	}
	synctest.Wait()
}

func hello(from string) link.Frame {
	return link.Frame{Message: message.Message{Kind: message.Text, From: from, To: distant}, Text: "hello", ID: "0A1B2"}
}

func TestVerifiedLoginSends(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		if s := b.state(); !s.Up || s.Why != "N0QRA-10 is verified at STANDIN" {
			b.Errorf("state is %+v", s)
		}
		if err := b.send(hello(nearby)); err != nil {
			b.Fatal(err)
		}
		synctest.Wait()
		if got, want := b.server.Seen(), []string{"N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :hello{0A1B2"}; !slices.Equal(got, want) {
			b.Errorf("the server passed on %q, want %q", got, want)
		}
	})
}

func TestWithoutPasscodeItOnlyReceives(t *testing.T) {
	inBubble(t, func(o *aprsis.Options) { o.Passcode = "none" }, func(b *bench) {
		if s := b.state(); !s.Up || !strings.Contains(s.Why, "receive only") {
			b.Errorf("state is %+v", s)
		}
		permanent, ok := errors.AsType[*link.PermanentError](b.send(hello(nearby)))
		if !ok || permanent.Code != link.CodeNotAllowed || !strings.Contains(permanent.Error(), "no passcode") {
			b.Errorf("Send gave %v", permanent)
		}
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRA-10 :hello{1")
		if kept := b.host.Kept(); len(kept) != 1 || kept[0].Text != "hello" {
			b.Errorf("kept %+v", kept)
		}
	})
}

func TestUnverifiedIsSaidPlainly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		ours, theirs := net.Pipe()
		a, err := aprsis.New(aprsis.Options{Server: "aprs.example:14580", Call: gateway, Passcode: passcode,
			Dial: func(context.Context, string, string) (net.Conn, error) { return ours, nil }})
		if err != nil {
			t.Fatal(err)
		}
		var host adaptertest.Host
		ended := make(chan error, 1)
		go func() { ended <- a.Run(ctx, &host) }()
		login, err := bufio.NewReader(theirs).ReadString('\n')
		if want := "user N0QRA-10 pass " + passcode + " vers posthouse dev filter g/N0QRA-10\r\n"; err != nil || login != want {
			t.Errorf("login is %q, %v, want %q", login, err, want)
		}
		if errs := a.Send(ctx, []link.Frame{hello(nearby)}); !errors.Is(errs[0], link.ErrDown) {
			t.Errorf("Send before the login was answered: %v, want link.ErrDown", errs[0])
		}
		fmt.Fprint(theirs, "# a banner\r\n# logresp N0QRA-10 unverified, server X\r\n")
		synctest.Wait()
		if s := host.States(); !s[len(s)-1].Up || !strings.Contains(s[len(s)-1].Why, "unverified") {
			t.Errorf("states are %+v", s)
		}
		if trouble := host.InTrouble(); !strings.Contains(trouble, "does not believe our passcode") {
			t.Errorf("the trouble is %q", trouble)
		}
		later, ok := errors.AsType[*link.LaterError](a.Send(ctx, []link.Frame{hello(nearby)})[0])
		if !ok || !strings.Contains(later.Error(), "unverified") {
			t.Errorf("Send gave %v, want a temporary error that says unverified", later)
		}
		_ = theirs.SetReadDeadline(time.Now().Add(time.Minute))
		if b, err := io.ReadAll(theirs); !errors.Is(err, os.ErrDeadlineExceeded) || len(b) > 0 {
			t.Errorf("in a minute without news it said %q, %v", b, err)
		}
		cancel()
		<-ended
	})
}

// A server that is full, or lets this call sign not in, says so in a comment and hangs
// up: its operator is to read that, and not to look for a second program.
func TestServerThatTurnsUsAwayIsQuoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		dial := func(context.Context, string, string) (net.Conn, error) {
			ours, theirs := net.Pipe()
			go func() {
				_, _ = bufio.NewReader(theirs).ReadString('\n')
				fmt.Fprint(theirs, "# a banner\r\n# Port full, not let in: pass "+passcode+"\r\n")
				time.Sleep(time.Second) // to a reader that waits
				theirs.Close()
			}()
			return ours, nil
		}
		a, err := aprsis.New(aprsis.Options{Server: "aprs.example:14580", Call: gateway, Passcode: passcode, Dial: dial})
		if err != nil {
			t.Fatal(err)
		}
		var host adaptertest.Host
		ended := make(chan error, 1)
		go func() { ended <- a.Run(ctx, &host) }()
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		why := host.States()[len(host.States())-1].Why
		if !strings.Contains(why, `before it answered the login; its last word was "Port full, not let in: pass ***"`) {
			t.Errorf("the last state is %q", why)
		}
		cancel()
		<-ended
		time.Sleep(2 * time.Second) // for the server
	})
}

func TestUnansweredLoginIsGivenUp(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.server.Silence(true)
		b.server.Drop("")
		time.Sleep(time.Second * 8) // connected again, to nobody who answers
		time.Sleep(30 * time.Second)
		synctest.Wait()
		if s := b.state(); s.Up || !strings.Contains(s.Why, "did not answer the login") {
			b.Errorf("state is %+v", s)
		}
	})
}

func TestDeadPeerIsNoticed(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if n := len(b.dials); n != 1 || !b.state().Up {
			b.Fatalf("a server that sends a comment each 20 s was left: %d connections, %+v", n, b.state())
		}
		b.server.Silence(true)
		time.Sleep(69 * time.Second) // the last word is up to 20 s old
		synctest.Wait()
		if !b.state().Up {
			b.Errorf("given up too early: %+v", b.state())
		}
		time.Sleep(22 * time.Second)
		synctest.Wait()
		if s := b.state(); s.Up || !strings.Contains(s.Why, "silent for 1m30s") {
			b.Errorf("state is %+v", s)
		}
		if err := b.send(hello(nearby)); !errors.Is(err, link.ErrDown) {
			b.Errorf("Send gave %v, want link.ErrDown", err)
		}
		b.server.Silence(false)
		time.Sleep(10 * time.Second)
		synctest.Wait()
		if !b.state().Up {
			b.Errorf("state is %+v", b.state())
		}
	})
}

func TestReconnectsWithGrowingDelay(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.mu.Lock()
		b.away = true
		b.mu.Unlock()
		b.server.Drop("")
		time.Sleep(time.Hour)
		b.mu.Lock()
		defer b.mu.Unlock()
		if n := len(b.dials); n < 14 || n > 21 {
			b.Errorf("%d connections in an hour, want one each 5 minutes once the delay has grown", n)
		}
		for i := 2; i < len(b.dials); i++ {
			gap, before := b.dials[i]-b.dials[i-1], b.dials[i-1]-b.dials[i-2]
			if gap < 5*time.Second || gap > 5*time.Minute || i > 2 && gap*3/2 < before {
				b.Errorf("waited %v after %v", gap, before)
			}
		}
		b.away = false
	})
}

// Of two programs with one call sign a server ends the older one's connection, and
// so on for ever.
func TestASecondProgramWithOurCallSignIsSuspected(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		for i, c := range []struct {
			lasts time.Duration // until after the next login
			told  bool
		}{{8 * time.Second, false}, {16 * time.Second, false}, {2 * time.Minute, true}, {0, false}} {
			b.server.Drop("")
			synctest.Wait()
			if told := strings.Contains(b.state().Why, "another program logged in there as "+gateway); told != c.told || b.state().Up {
				b.Errorf("loss %d: %+v", i+1, b.state())
			}
			time.Sleep(c.lasts)
		}
	})
}

func TestFilterFollowsTheBridge(t *testing.T) {
	inBubble(t, func(o *aprsis.Options) { o.Filter = "r/46/-122/50" }, func(b *bench) {
		check := func(when string, want ...string) {
			b.Helper()
			time.Sleep(11 * time.Second)
			synctest.Wait()
			if got := b.server.Filter(gateway); !slices.Equal(got, want) {
				b.Errorf("%s the filter is %q, want %q", when, got, want)
			}
		}
		check("at first", "g/N0QRA-10", "r/46/-122/50")
		b.host.SetInterest(link.Interest{Stations: []string{nearby}, Sought: []string{"N0QRG"}})
		check("later", "g/N0QRA-10/N0QRC-7", "b/N0QRG*", "r/46/-122/50")
		b.host.SetInterest(link.Interest{})
		check("in the end", "g/N0QRA-10", "r/46/-122/50")
	})
}

func TestReportsOfSoughtStationsComeIn(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.host.SetInterest(link.Interest{Sought: []string{"N0QRG"}})
		time.Sleep(11 * time.Second)
		b.raw("N0QRG-5>APZ001,qAR,N0QRE:=4903.50N/07201.75W-", "N0QRH>APZ001,qAR,N0QRE:=4903.50N/07201.75W-")
		kept := b.host.Kept()
		if len(kept) != 1 || kept[0].Kind != message.Position || kept[0].From != "N0QRG-5" || !kept[0].Messaging || kept[0].Link != "aprs" {
			b.Errorf("kept %+v", kept)
		}
		if n := b.host.Counts()["not-asked-for"]; n != 1 {
			b.Errorf("counted %v", b.host.Counts())
		}
	})
}

func TestHeardByRadioCountsForAnHour(t *testing.T) {
	for _, c := range []struct {
		name   string
		heard  link.Hearing
		passes bool
	}{
		{"just now", link.Hearing{Link: "valley", Radio: true}, true},
		{"59 minutes ago", link.Hearing{Link: "valley", Radio: true, Ago: 59 * time.Minute}, true},
		{"an hour ago", link.Hearing{Link: "valley", Radio: true, Ago: time.Hour}, false},
		{"through a network", link.Hearing{Link: "far"}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			inBubble(t, nil, func(b *bench) {
				b.host.SetHeard(nearby, c.heard)
				b.raw("N0QRB-9>APZ001,qAC,X::N0QRC-7  :hello{1")
				if got := len(b.host.Kept()) == 1; got != c.passes {
					b.Errorf("passed: %v, want %v; counted %v", got, c.passes, b.host.Counts())
				}
			})
		})
	}
}

func TestAStationSeenOnTheNetworkGetsItsMessagesThere(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.host.SetHeard(nearby, link.Hearing{Link: "valley", Radio: true})
		b.raw("N0QRC-7>APZ001,TCPIP*,qAC,X:>here I am", "N0QRB-9>APZ001,qAC,X::N0QRC-7  :hello{1")
		if n := b.host.Counts()["addressee-on-network"]; n != 1 {
			b.Errorf("counted %v", b.host.Counts())
		}
		time.Sleep(time.Hour)
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRC-7  :hello{1")
		if n := len(b.host.Kept()); n != 1 {
			b.Errorf("an hour later %d messages were kept, want 1", n)
		}
	})
}

func TestReplyAckIsAcknowledgedAsWritten(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.host.SetHeard(nearby, link.Hearing{Link: "valley", Radio: true})
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRC-7  :hello{MM}AA")
		kept := b.host.Kept()
		if len(kept) != 2 || kept[0].OriginID != "MM" || kept[1].Acks != "AA" {
			b.Fatalf("kept %+v", kept)
		}
		ack := link.Frame{Message: message.Message{Kind: message.Receipt, From: nearby, To: distant, Acks: "MM"}}
		if err := b.send(ack); err != nil {
			b.Fatal(err)
		}
		synctest.Wait()
		if got, want := b.server.Seen(), []string{"N0QRC-7>APZPH1,qAR,N0QRA-10::N0QRB-9  :ackMM}AA"}; !slices.Equal(got, want) {
			b.Errorf("the server passed on %q, want %q", got, want)
		}
	})
}

func TestGroupTextsTakeTurnsInTheirNumber(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		for range 2 {
			f := hello(nearby)
			f.Message.To, f.ID = "WX", ""
			if err := b.send(f); err != nil {
				b.Fatal(err)
			}
		}
		synctest.Wait()
		want := []string{"N0QRC-7>APZPH1,qAR,N0QRA-10::BLN0WX   :hello", "N0QRC-7>APZPH1,qAR,N0QRA-10::BLN1WX   :hello"}
		if got := b.server.Seen(); !slices.Equal(got, want) {
			b.Errorf("the server passed on %q, want %q", got, want)
		}
	})
}

func TestAFullStoreDropsWithoutAck(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		b.host.FailNext(errors.New("the store is full"))
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRA-10 :hello{1")
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRA-10 :hello{1") // the repeat
		if offered, kept := len(b.host.Offered()), len(b.host.Kept()); offered != 2 || kept != 1 || len(b.server.Seen()) != 0 {
			b.Errorf("offered %d, kept %d, sent %q", offered, kept, b.server.Seen())
		}
	})
}

// While Accept is busy, a bounded number of lines is read ahead, and the server
// has to wait: nothing is lost and nothing grows.
func TestSlowAcceptHoldsTheServerBack(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		release := b.host.Block()
		var written atomic.Int32
		go func() {
			for i := range 1000 {
				if b.server.Raw(gateway, fmt.Appendf(nil, "N0QRB-9>APZ001,qAC,X::N0QRA-10 :text %d{%d\r\n", i, i)) {
					written.Add(1)
				}
			}
		}()
		time.Sleep(5 * time.Second)
		synctest.Wait()
		// A batch of 64, 256 lines that wait, and what 512 bytes hold.
		if offered, n := len(b.host.Offered()), written.Load(); offered > 64 || n < 256 || n > 64+256+20 {
			b.Errorf("a busy accept was offered %d messages, and the server could write %d", offered, n)
		}
		release()
		synctest.Wait()
		kept := b.host.Kept()
		if len(kept) != 1000 || kept[999].Text != "text 999" {
			b.Errorf("%d messages were kept", len(kept))
		}
	})
}

func TestLongLinesAreSkippedToTheirEnd(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		head := "N0QRB-9>APZ001,qAC,X::N0QRA-10 :"
		b.raw(head+strings.Repeat("x", 100_000), head+"hello{1", strings.Repeat("y", 511), head+"bye{2")
		if n := b.host.Counts()["line-too-long"]; n != 2 {
			b.Errorf("counted %v", b.host.Counts())
		}
		if kept := b.host.Kept(); len(kept) != 2 || kept[1].Text != "bye" {
			b.Errorf("kept %+v", kept)
		}
	})
}

func TestWhatWasReadIsKeptWhenTheConnectionIsLost(t *testing.T) {
	inBubble(t, nil, func(b *bench) {
		release := b.host.Block()
		b.raw("N0QRB-9>APZ001,qAC,X::N0QRA-10 :one{1", "N0QRB-9>APZ001,qAC,X::N0QRA-10 :two{2")
		b.server.Drop("")
		synctest.Wait()
		if b.host.Up() {
			b.Error("the link is not down")
		}
		release()
		synctest.Wait()
		if n := len(b.host.Kept()); n != 2 {
			b.Errorf("%d messages were kept, want 2", n)
		}
	})
}

// Both ways over real sockets: words, an ack, an answer, its ack, a reject.
func TestAConversation(t *testing.T) {
	server, err := standin.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	a, err := aprsis.New(aprsis.Options{Server: server.Addr().String(), Call: gateway, Passcode: passcode, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	var host adaptertest.Host
	host.SetHeard(nearby, link.Hearing{Link: "valley", Radio: true})
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx, &host) }()
	defer func() { cancel(); <-ended }()

	station, err := standin.Join(ctx, server.Addr().String(), distant)
	if err != nil {
		t.Fatal(err)
	}
	defer station.Leave()
	until := func(what string, ok func() bool) {
		t.Helper()
		if !host.Wait(ctx, ok) {
			t.Fatalf("waited in vain until %s; states %+v, counts %v", what, host.States(), host.Counts())
		}
	}
	kept := func(want message.Message) func() bool {
		return func() bool {
			return slices.ContainsFunc(host.Kept(), func(m message.Message) bool {
				return m.Kind == want.Kind && m.From == want.From && m.To == want.To && m.Text == want.Text && m.OriginID == want.OriginID && m.Acks == want.Acks && m.Nak == want.Nak
			})
		}
	}

	until("the link is up", host.Up)
	if err := a.Send(ctx, []link.Frame{hello(nearby)})[0]; err != nil {
		t.Fatal(err)
	}
	if m := <-station.Messages(); m.From != nearby || m.Body != "hello" || m.ID != "0A1B2" {
		t.Errorf("the station got %+v", m)
	}
	until("its ack came", kept(message.Message{Kind: message.Receipt, From: distant, To: nearby, Acks: "0A1B2"}))

	if err := station.Say(nearby, "good morning", "7"); err != nil {
		t.Fatal(err)
	}
	until("its answer came", kept(message.Message{Kind: message.Text, From: distant, To: nearby, Text: "good morning", OriginID: "7"}))
	ack := link.Frame{Message: message.Message{Kind: message.Receipt, From: nearby, To: distant, Acks: "7"}}
	if err := a.Send(ctx, []link.Frame{ack})[0]; err != nil {
		t.Fatal(err)
	}
	if m := <-station.Messages(); m.Sort != aprsis.Ack || m.From != nearby || m.ID != "7" {
		t.Errorf("the station got %+v", m)
	}

	station.Refuse(true)
	f := hello(nearby)
	f.Text, f.ID = "and now", "0A1B3"
	if err := a.Send(ctx, []link.Frame{f})[0]; err != nil {
		t.Fatal(err)
	}
	until("the reject came", kept(message.Message{Kind: message.Receipt, From: distant, To: nearby, Acks: "0A1B3", Nak: true}))
}
