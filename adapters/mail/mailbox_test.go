package mail

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-imap/v2"
	"github.com/emersion/go-imap/v2/imapserver"
	"github.com/emersion/go-imap/v2/imapserver/imapmemserver"

	"posthouse/adapters/adaptertest"
	"posthouse/adapters/mail/dovecottest"
	"posthouse/bridge/link"
)

const (
	provider = "mx.provider.example"
	passed   = "Authentication-Results: " + provider + "; dmarc=pass header.from=home.example\n"
)

// post is a mailbox on a server in memory.
type post struct {
	t    *testing.T
	user *imapmemserver.User
	addr string
}

func newPost(t *testing.T, caps ...imap.Cap) *post { return newPostOf(t, nil, caps...) }

// newPostOf has each session changed.
func newPostOf(t *testing.T, change func(imapserver.Session) imapserver.Session, caps ...imap.Cap) *post {
	t.Helper()
	return newPostBehind(t, func(l net.Listener) net.Listener { return l }, change, caps...)
}

// newPostBehind has the listener changed, too.
func newPostBehind(t *testing.T, behind func(net.Listener) net.Listener, change func(imapserver.Session) imapserver.Session, caps ...imap.Cap) *post {
	t.Helper()
	p := &post{t: t, user: imapmemserver.NewUser("gateway", "secret")}
	if err := p.user.Create("INBOX", nil); err != nil {
		t.Fatal(err)
	}
	server := imapmemserver.New()
	server.AddUser(p.user)
	known := imap.CapSet{imap.CapIMAP4rev1: {}}
	for _, c := range caps {
		known[c] = struct{}{}
	}
	s := imapserver.New(&imapserver.Options{
		NewSession: func(*imapserver.Conn) (imapserver.Session, *imapserver.GreetingData, error) {
			if change != nil {
				return change(server.NewSession()), nil, nil
			}
			return server.NewSession(), nil, nil
		},
		Caps: known, InsecureAuth: true, Logger: log.New(io.Discard, "", 0),
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.addr = l.Addr().String()
	ended := make(chan struct{})
	go func() { s.Serve(behind(l)); close(ended) }()
	t.Cleanup(func() { s.Close(); <-ended })
	return p
}

// lay puts a mail into the mailbox.
func (p *post) lay(mail string) {
	p.t.Helper()
	if _, err := p.user.Append("INBOX", literal{bytes.NewReader([]byte(mail))}, &imap.AppendOptions{Time: time.Now()}); err != nil {
		p.t.Fatal(err)
	}
}

type literal struct{ *bytes.Reader }

// count gives the number of mails that nobody has seen.
func (p *post) unseen() uint32 {
	p.t.Helper()
	s, err := p.user.Status("INBOX", &imap.StatusOptions{NumUnseen: true})
	if err != nil {
		p.t.Fatal(err)
	}
	return *s.NumUnseen
}

func (p *post) options(change func(*Options)) Options {
	o := testOptions()
	o.Mailbox = Mailbox{Server: p.addr, TLS: NoTLS, Username: "gateway", Password: "secret", Vouches: provider, Every: time.Hour}
	if change != nil {
		change(&o)
	}
	return o
}

// fetch runs a link on the mailbox.
func (p *post) fetch(change func(*Options)) *gateway {
	p.t.Helper()
	a, err := New(p.options(change))
	if err != nil {
		p.t.Fatal(err)
	}
	return runHost(p.t, a)
}

// until waits for what has to happen.
func (g *gateway) until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond) // the mailbox changes, and the host does not see it
	defer tick.Stop()
	for !ok() {
		select {
		case <-ctx.Done():
			t.Fatalf("not within a minute: %s (kept %+v, counted %v, states %v)", what, g.host.Kept(), g.host.Counts(), g.host.States())
		case <-tick.C:
		}
	}
}

// stubborn is a server that breaks off over the first mail, as Dovecot does when it
// cannot read its file: over its header, or only over its text.
type stubborn struct {
	imapserver.Session
	header bool
}

func (b stubborn) Fetch(w *imapserver.FetchWriter, set imap.NumSet, options *imap.FetchOptions) error {
	whole := options.BodySection[0].Specifier == imap.PartSpecifierNone
	if uids, ok := set.(imap.UIDSet); ok && uids.Contains(1) && (whole || b.header) {
		return errors.New("cannot read it")
	}
	return b.Session.Fetch(w, set, options)
}

func TestAMailThatTheServerCannotRead(t *testing.T) {
	for _, header := range []bool{false, true} {
		t.Run(fmt.Sprintf("header too: %v", header), func(t *testing.T) {
			p := newPostOf(t, func(s imapserver.Session) imapserver.Session { return stubborn{s, header} })
			p.lay(letterTo("n0qrb-9@"+domain, passed, "one can"))
			p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
			now := &clock{}
			o := p.options(func(o *Options) { o.Now, o.Mailbox.Every = now.read, time.Second }).withDefaults()
			host := &adaptertest.Host{}
			f := newFetcher(o, o.Log, &sides{Host: host})
			ctx, cancel := context.WithCancel(t.Context())
			f.ctx = ctx
			for range 2 {
				if err := f.visit(ctx); err == nil || len(host.Kept()) > 0 {
					t.Fatalf("kept %+v, err %v: it may have been the network", host.Kept(), err)
				}
			}
			ended := make(chan error)
			go func() { ended <- f.visit(ctx) }()
			g := &gateway{host: host}
			g.until(t, "the second mail", func() bool { return len(host.Kept()) == 1 })
			if text := host.Kept()[0].Text; !strings.Contains(text, "two cans") {
				t.Errorf("kept %q", text)
			}
			now.add(asideFor)
			if err := <-ended; err == nil {
				t.Error("the first mail is never tried again")
			}
			cancel()
			if n := p.unseen(); n != 1 {
				t.Errorf("%d mails are unseen, want the one that cannot be read", n)
			}
		})
	}
}

// mute is a server that falls silent: over a search, or when IDLE is to end.
type mute struct {
	imapserver.Session
	search bool
	until  <-chan struct{}
}

func (m mute) Search(kind imapserver.NumKind, criteria *imap.SearchCriteria, options *imap.SearchOptions) (*imap.SearchData, error) {
	if m.search {
		<-m.until
	}
	return m.Session.Search(kind, criteria, options)
}

func (m mute) Idle(w *imapserver.UpdateWriter, stop <-chan struct{}) error {
	<-m.until
	return m.Session.Idle(w, stop)
}

// A server that says nothing more, and whose connection stands, is left and tried
// anew: no mail would come for days, and nobody know.
func TestAServerThatFallsSilentIsLeft(t *testing.T) {
	for _, search := range []bool{true, false} {
		t.Run(fmt.Sprintf("over a search: %v", search), func(t *testing.T) {
			p := newPostOf(t, func(s imapserver.Session) imapserver.Session { return mute{s, search, t.Context().Done()} }, imap.CapIdle)
			o := p.options(func(o *Options) { o.ReadTimeout, o.Mailbox.Every = 200*time.Millisecond, time.Millisecond }).withDefaults()
			f := newFetcher(o, o.Log, &sides{Host: &adaptertest.Host{}})
			f.ctx = t.Context()
			if err := f.visit(t.Context()); !errors.Is(err, errSilent) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// restless is a server that ends IDLE by itself, as some do each few seconds.
type restless struct {
	imapserver.Session
	idles *atomic.Int32
}

func (r restless) Idle(*imapserver.UpdateWriter, <-chan struct{}) error {
	r.idles.Add(1)
	return errors.New("that is enough")
}

// Mail comes in all the same, so the link is not down, and it is looked for as often as
// without IDLE.
func TestAServerThatEndsIdleIsAskedAsOftenAsOneWithoutIt(t *testing.T) {
	var idles atomic.Int32
	p := newPostOf(t, func(s imapserver.Session) imapserver.Session { return restless{s, &idles} }, imap.CapIdle)
	g := p.fetch(func(o *Options) { o.Mailbox.Every = 10 * time.Millisecond })
	g.until(t, "the fifth IDLE", func() bool { return idles.Load() >= 5 })
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	g.until(t, "the mail", func() bool { return len(g.host.Kept()) == 1 })
	for _, s := range g.host.States()[1:] { // the first says that it has only begun
		if !s.Up {
			t.Errorf("the link went down: %s", s.Why)
		}
	}
}

// counting counts the searches.
type counting struct {
	imapserver.Session
	searches *atomic.Int32
}

func (c counting) Search(kind imapserver.NumKind, criteria *imap.SearchCriteria, options *imap.SearchOptions) (*imap.SearchData, error) {
	c.searches.Add(1)
	return c.Session.Search(kind, criteria, options)
}

// Of a full mailbox the numbers come once, and not again for each round: with
// twenty thousand they are 140 kB.
func TestAFullMailboxIsSearchedOnce(t *testing.T) {
	var searches atomic.Int32
	p := newPostOf(t, func(s imapserver.Session) imapserver.Session { return counting{s, &searches} })
	for range 3 * roundMails {
		p.lay(letterTo("treasurer@club.example", passed, "the bill"))
	}
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	g := p.fetch(nil)
	g.until(t, "the last mail", func() bool { return len(g.host.Kept()) == 1 })
	if n := searches.Load(); n != 1 {
		t.Errorf("%d searches", n)
	}
}

func letterTo(to, head, body string) string {
	return crlf(head + "From: qra@home.example\nTo: " + to + "\nSubject: water\nDate: " + time.Now().Format(time.RFC1123Z) +
		"\nMessage-ID: <" + rand.Text() + "@home.example>\n\n" + body + "\n")
}

func TestMailIsFetchedAndMarkedAfterwards(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	g := p.fetch(nil)
	g.until(t, "the mail is taken over", func() bool { return len(g.host.Kept()) == 1 })
	m := g.host.Kept()[0]
	if m.From != "qra@home.example" || m.SenderCall != "N0QRA" || m.To != "N0QRB-9" || m.Text != "water: two cans" || !m.Fetched {
		t.Errorf("took over %+v", m)
	}
	g.until(t, "the mail is seen", func() bool { return p.unseen() == 0 })

	// With IDLE the server tells of the next one: Every is an hour.
	p.lay(letterTo("n0qrb-9@"+domain, passed, "three cans"))
	g.until(t, "the second mail comes at once", func() bool { return len(g.host.Kept()) == 2 })
}

func TestMailIsFetchedWithoutIdle(t *testing.T) {
	p := newPost(t)
	g := p.fetch(func(o *Options) { o.Mailbox.Every = 50 * time.Millisecond })
	g.until(t, "the mailbox is open", g.host.Up)
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	g.until(t, "the mail is taken over", func() bool { return len(g.host.Kept()) == 1 && p.unseen() == 0 })
}

// A client that hands a mail to a server may leave some of its recipients for another
// time; one in the mailbox comes once.
func TestAMailInTheMailboxGoesToAllItsStations(t *testing.T) {
	to := func(n int) (list string) {
		for i := range n {
			list += fmt.Sprintf("n0q%03d@%s,\n ", i, domain)
		}
		return list + "treasurer@club.example"
	}
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo(to(2*maxRecipients), passed, "two cans"))
	g := p.fetch(nil)
	g.until(t, "the mail is taken over", func() bool { return p.unseen() == 0 })
	if n := len(g.host.Kept()); n != 2*maxRecipients {
		t.Errorf("%d stations get it", n)
	}
	p.lay(letterTo(to(mostStations+1), passed, "three cans"))
	g.until(t, "the second mail is seen", func() bool { return p.unseen() == 0 && len(g.host.Offered()) > 2*maxRecipients })
	if o := g.host.Offered(); len(o) != 2*maxRecipients+1 || o[len(o)-1].Unfit == nil {
		t.Errorf("the bridge got %d texts", len(o))
	}
}

// What is not on disk must not look as if it were.
func TestMailStaysUnseenWhileTheStoreFails(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	var now clock
	a, err := New(p.options(func(o *Options) { o.Now, o.Mailbox.Every = now.read, 50*time.Millisecond }))
	if err != nil {
		t.Fatal(err)
	}
	g := &gateway{Adapter: a, host: &adaptertest.Host{}}
	g.host.FailNext(errors.New("no room"))
	g.runOn(t)
	g.until(t, "the store fails", func() bool { return len(g.host.Offered()) == 1 })
	if p.unseen() != 1 {
		t.Error("the mail is marked as seen, and is not on disk")
	}
	now.add(againAfter)
	g.until(t, "it is taken over later", func() bool { return len(g.host.Kept()) == 1 && p.unseen() == 0 })
}

// A mail that waits is tried every few minutes, for days if need be: that is worth a line
// when it begins, and another only when the reason is another.
func TestAMailThatWaitsIsLoggedOnceForEachReason(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	var now clock
	var said lines
	a, err := New(p.options(func(o *Options) {
		o.Now, o.Mailbox.Every, o.Log = now.read, 10*time.Millisecond, slog.New(slog.NewTextHandler(&said, nil))
	}))
	if err != nil {
		t.Fatal(err)
	}
	g := &gateway{Adapter: a, host: &adaptertest.Host{}}
	g.host.Refuse(link.CodeFull, "no room")
	g.runOn(t)
	tries := func(n int) func() bool {
		return func() bool { now.add(againAfter); return len(g.host.Offered()) >= n }
	}
	g.until(t, "it is tried three times", tries(3))
	g.host.Refuse(link.CodeTooMany, "20 in 10m")
	g.until(t, "it is tried six times", tries(len(g.host.Offered())+3))
	for _, want := range []struct {
		words string
		n     int
	}{{"no room", 1}, {"20 in 10m", 1}, {"mail refused", 0}} {
		if n := said.count(want.words); n != want.n {
			t.Errorf("%d lines with %q, want %d", n, want.words, want.n)
		}
	}
}

// A mailbox that cannot be reached is tried every ten minutes, as long as it takes.
func TestAMailboxThatIsDownIsLoggedOnceForEachReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said lines
		began, port := time.Now(), 50000
		o := (&post{addr: "192.0.2.1:993"}).options(func(o *Options) {
			o.Log = slog.New(slog.NewTextHandler(&said, nil))
			o.Dial = func(context.Context, string, string) (net.Conn, error) {
				port++
				if time.Since(began) > 24*time.Hour {
					return nil, fmt.Errorf("from port %d: connection refused", port)
				}
				return nil, fmt.Errorf("from port %d: no route to host", port)
			}
		}).withDefaults()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { newFetcher(o, o.Log, &sides{Host: &adaptertest.Host{}}).run(ctx); close(done) }()
		time.Sleep(48 * time.Hour)
		cancel()
		<-done
		if a, b := said.count("no route to host"), said.count("connection refused"); a != 1 || b != 1 {
			t.Errorf("%d lines with the first reason and %d with the second, want one each", a, b)
		}
	})
}

// lines are those of a log.
type lines struct {
	mu  sync.Mutex
	all []string
}

func (l *lines) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, string(line))
	return len(line), nil
}

func (l *lines) count(words string) (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range l.all {
		if strings.Contains(line, words) {
			n++
		}
	}
	return n
}

// telling is a server that first tells of a mail what another client did with it.
type telling struct {
	imapserver.Session
	told *atomic.Bool
}

func (s telling) Fetch(w *imapserver.FetchWriter, set imap.NumSet, options *imap.FetchOptions) error {
	if s.told.CompareAndSwap(false, true) {
		about := w.CreateMessage(1)
		about.WriteUID(1)
		about.WriteFlags([]imap.Flag{imap.FlagFlagged})
		if err := about.Close(); err != nil {
			return err
		}
	}
	return s.Session.Fetch(w, set, options)
}

// The client library takes that for the answer and throws the answer away.
func TestAMailThatAnotherClientMarksIsNotPassedOver(t *testing.T) {
	var told atomic.Bool
	p := newPostOf(t, func(s imapserver.Session) imapserver.Session { return telling{s, &told} })
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	var now clock
	g := p.fetch(func(o *Options) { o.Now, o.Mailbox.Every = now.read, 10*time.Millisecond })
	g.until(t, "it is taken over", func() bool { now.add(againAfter); return len(g.host.Kept()) == 1 })
}

// While the store is full more mails may come than are remembered one by one.
func TestMoreMailsAreLeftForLaterThanAreRemembered(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	for range mostAgain + 1 {
		p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	}
	var now clock
	a, err := New(p.options(func(o *Options) { o.Now, o.Mailbox.Every = now.read, 50*time.Millisecond }))
	if err != nil {
		t.Fatal(err)
	}
	g := &gateway{Adapter: a, host: &adaptertest.Host{}}
	g.host.Refuse(link.CodeFull, "no room")
	g.runOn(t)
	g.until(t, "all are looked at", func() bool { return len(g.host.Offered()) == mostAgain+1 })
	g.host.Refuse("", "")
	now.add(asideFor)
	g.until(t, "all are taken over", func() bool { return len(g.host.Kept()) == mostAgain+1 && p.unseen() == 0 })
}

func TestWhatIsNotForAStationIsLeftAlone(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo("treasurer@club.example", passed, "the bill"))
	p.lay(letterTo("gateway@"+domain, passed, "for nobody on the air"))
	p.lay(letterTo("gateway+n0qrb-9@"+domain, passed, "two cans"))
	g := p.fetch(func(o *Options) { o.Mailbox.Address = "gateway@" + domain })
	g.until(t, "the mail for the station is taken over", func() bool { return len(g.host.Kept()) == 1 && p.unseen() == 2 })
	if to := g.host.Kept()[0].To; to != "N0QRB-9" || len(g.host.Offered()) != 1 {
		t.Errorf("took over %+v", g.host.Offered())
	}
}

// A mailbox that gets all mail of a domain gets that of people, too. Their names are
// no call signs, which have a digit, and neither groups nor aliases.
func TestMailForPeopleAtTheStationsDomainIsLeftAlone(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	p.lay(letterTo("treasurer@"+domain, passed, "the bill"))
	p.lay(letterTo("eoc@"+domain, passed, "send cots"))
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	p.lay(letterTo("n0qrbb9b@"+domain, passed, "a call sign with a slip of the finger"))
	g := p.fetch(func(o *Options) { o.Named = func(name string) bool { return name == "EOC" } })
	g.until(t, "all but the treasurer's mail is looked at", func() bool { return len(g.host.Offered()) == 3 && p.unseen() == 1 })
}

func TestWhoWroteAFetchedMail(t *testing.T) {
	own := "Authentication-Results: " + provider + "; "
	for _, c := range []struct {
		name, head string
		taken      bool
	}{
		{"the provider's DMARC passed", passed, true},
		{"a folded line with comments, as large providers write it",
			own + "\n dkim=pass header.i=@home.example header.s=s1 header.b=Ab12;\n spf=pass (" + provider + ": domain of qra@home.example designates 192.0.2.1 as permitted sender) smtp.mailfrom=qra@home.example;\n dmarc=pass (p=NONE sp=NONE dis=NONE) header.from=home.example\n", true},
		{"an aligned signature passed", own + "dkim=pass header.d=home.example\n", true},
		{"a signature by its identity", own + "dkim=pass header.i=@home.example\n", true},
		{"a foreign signature passed", own + "dkim=pass header.d=evil.example\n", false},
		{"DMARC passed for another domain", own + "dmarc=pass header.from=evil.example\n", false},
		{"SPF alone", own + "spf=pass smtp.mailfrom=qra@home.example\n", false},
		{"as providers write it without a blank, and with an address", own + "dkim=pass; dmarc=pass(p=NONE dis=NONE) header.from=qra@home.example\n", true},
		{"semicolons in words (RFC 8601 section 2.2)", own + "spf=none (no; record); dkim=pass reason=\"good; signature\" (key; 2048) header.d=\"home.example\"\n", true},
		{"an envelope's address that says so in a comment", own + "spf=pass (domain of \"a; dmarc=pass header.from=home.example; x=y (b\"@evil.example) smtp.mailfrom=evil.example; dmarc=none\n", false},
		{"an envelope's address that says so in a value", own + "spf=pass smtp.mailfrom=\"a; dmarc=pass header.from=home.example; x=y a.b=\\\"b\"@evil.example; dmarc=none\n", false},
		{"an envelope's address that ends a comment", own + "spf=pass (domain of \"a) ; dmarc=pass header.from=home.example; x=y (b\"@evil.example); dmarc=fail header.from=home.example\n", false},
		{"a comment without an end", own + "dmarc=pass header.from=home.example (it is\n", false},
		{"everything failed", own + "dkim=fail header.d=home.example; dmarc=fail header.from=home.example\n", false},
		{"no result (RFC 8601 appendix B.2)", own + "none\n", false},
		{"somebody else's word", "Authentication-Results: mx.evil.example; dmarc=pass header.from=home.example\n", false},
		{"the provider's name further down came with the mail", own + "dmarc=fail header.from=home.example\n" + passed, false},
		{"nobody's word", "", false},
		{"broken, above what came with the mail", own + "spf\n" + passed, false},
		{"broken", own + ";;dmarc==pass header.from=home.example\n", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPost(t, imap.CapIdle)
			p.lay(letterTo("n0qrb-9@"+domain, c.head, "two cans"))
			g := p.fetch(nil)
			g.until(t, "the mail is seen", func() bool { return p.unseen() == 0 })
			if taken := len(g.host.Kept()) == 1; taken != c.taken {
				t.Errorf("taken over: %v, counted %v", taken, g.host.Counts())
			}
			if n := g.host.Counts()[link.CodeBadSignature]; !c.taken && n != 1 {
				t.Errorf("counted %v", g.host.Counts())
			}
		})
	}
}

// In a mailbox nobody waits for the answer: who may write is told, by the bridge.
func TestWhoIsToldOfARefusal(t *testing.T) {
	cipher := "Content-Type: multipart/encrypted; protocol=\"application/pgp-encrypted\"; boundary=b\nMIME-Version: 1.0\n"
	large := "Content-Type: multipart/mixed; boundary=b\nMIME-Version: 1.0\n"
	for _, c := range []struct {
		name, mail string
		told       string // the code, empty: nobody
	}{
		{"encrypted", letterTo("n0qrb@"+domain, passed+cipher, "--b\n\nx\n--b--"), link.CodeLooksEncrypted},
		{"no text", strings.Replace(letterTo("n0qrb@"+domain, passed, ""), "Subject: water\r\n", "", 1), link.CodeNotText},
		{"too large", letterTo("n0qrb@"+domain, passed+large, "--b\n\nhello\n--b\n\n"+strings.Repeat("x\n", 40_000)+"--b--"), link.CodeTooLong},
		{"too large, not proven", letterTo("n0qrb@"+domain, large, strings.Repeat("x\n", 40_000)), ""},
		{"too large and automatic", letterTo("n0qrb@"+domain, passed+"X-Autoreply: yes\n", strings.Repeat("x\n", 40_000)), ""},
		{"automatic", letterTo("n0qrb@"+domain, passed+"Auto-Submitted: auto-replied\n", "I am away"), ""},
		{"automatic, and unfit", letterTo("n0qrb@"+domain, passed+"X-Autoreply: yes\n"+cipher, "--b\n\nx\n--b--"), ""},
		{"automatic by its envelope", letterTo("n0qrb@"+domain, passed+"Return-Path: <>\n", "I am away"), ""},
		{"a list", letterTo("n0qrb@"+domain, passed+"List-Id: <all.club.example>\n", "news"), ""},
		{"not on the allow list", strings.ReplaceAll(letterTo("n0qrb@"+domain, passed, "hello"), "qra@home", "else@home"), ""},
		{"not proven", letterTo("n0qrb@"+domain, cipher, "--b\n\nx\n--b--"), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPost(t, imap.CapIdle)
			p.lay(c.mail)
			g := p.fetch(nil)
			g.until(t, "the mail is seen", func() bool { return p.unseen() == 0 })
			offered := g.host.Offered()
			switch {
			case c.told == "" && len(offered) != 0:
				t.Errorf("the bridge got %+v", offered)
			case c.told != "" && (len(offered) != 1 || offered[0].Unfit == nil || offered[0].Unfit.Code != c.told):
				t.Errorf("the bridge got %+v, want %s", offered, c.told)
			}
		})
	}
}

func TestAReportFromTheMailboxReopensTheMail(t *testing.T) {
	p := newPost(t, imap.CapIdle)
	bounce, err := bouncing(testKey).bounceAddress("A1B2C")
	if err != nil {
		t.Fatal(err)
	}
	p.lay(crlf("From: mailer-daemon@far.example\nTo: " + bounce + `
Subject: failed
Content-Type: multipart/report; report-type=delivery-status; boundary=b

--b
Content-Type: message/delivery-status

Reporting-MTA: dns; far.example

Final-Recipient: rfc822; friend@far.example
Action: failed
Status: 5.1.1
--b--
`))
	g := p.fetch(nil)
	g.until(t, "the report is taken over", func() bool { return len(g.host.Kept()) == 1 && p.unseen() == 0 })
	if m := g.host.Kept()[0]; m.Acks != "A1B2C" || !m.Nak || m.From != "friend@far.example" {
		t.Errorf("took over %+v", m)
	}
}

// A server that answers without end must not fill the memory.
func TestAServerThatNeverStopsIsLeft(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	sent := make(chan int, 1)
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		n := 0
		defer func() { sent <- n }()
		r := bufio.NewReader(c)
		fmt.Fprint(c, "* OK [CAPABILITY IMAP4rev1 IDLE] ready\r\n")
		for _, answer := range []string{"ok logged in", "ok selected"} {
			tag, _, _ := strings.Cut(mustLine(r), " ")
			fmt.Fprintf(c, "* 1 EXISTS\r\n%s %s\r\n", tag, strings.ToUpper(answer[:2])+answer[2:])
		}
		mustLine(r)
		fmt.Fprint(c, "* SEARCH")
		for i := 1; i < 100<<20; i += 2 {
			k, err := fmt.Fprintf(c, " %d", i)
			if n += k; err != nil {
				return
			}
		}
	}()
	p := &post{t: t, addr: l.Addr().String()}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	g := p.fetch(nil)
	n := <-sent
	runtime.ReadMemStats(&after)
	if n > 20<<20 {
		t.Errorf("read %d bytes of an endless answer", n)
	}
	if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 64<<20 {
		t.Errorf("the heap grew by %d bytes", grown)
	}
	g.until(t, "the trouble is told", func() bool {
		return slices.ContainsFunc(g.host.States(), func(s adaptertest.State) bool {
			return !s.Up && strings.Contains(s.Why, "more than it was asked for")
		})
	})
}

// guarded is a server whose folders may be read and no more.
type guarded struct {
	net.Listener
	open atomic.Bool
}

func (g *guarded) Accept() (net.Conn, error) {
	c, err := g.Listener.Accept()
	return readOnlyConn{c, g}, err
}

type readOnlyConn struct {
	net.Conn
	of *guarded
}

func (c readOnlyConn) Write(b []byte) (int, error) {
	if !c.of.open.Load() {
		_, err := c.Conn.Write(bytes.ReplaceAll(b, []byte("[READ-WRITE]"), []byte("[READ-ONLY]")))
		return len(b), err
	}
	return c.Conn.Write(b)
}

// A folder in which nothing can be marked would be read again by each connection, and
// the writers of what is refused there be told again.
func TestAFolderThatCanOnlyBeRead(t *testing.T) {
	door := &guarded{}
	p := newPostBehind(t, func(l net.Listener) net.Listener { door.Listener = l; return door }, nil)
	p.lay(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	a, err := New(p.options(nil))
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Probe(t.Context(), func(string) {}); err == nil || !strings.Contains(err.Error(), "can only be read") {
		t.Errorf("the probe finds %v", err)
	}
	g := p.fetch(nil)
	g.until(t, "the trouble is told", func() bool {
		s := g.host.States()
		return !s[len(s)-1].Up && strings.Contains(s[len(s)-1].Why, "can only be read")
	})
	if n := len(g.host.Offered()); n != 0 {
		t.Errorf("%d mails are taken", n)
	}
	g.stop()
	door.open.Store(true)
	if err := a.Probe(t.Context(), func(string) {}); err != nil {
		t.Errorf("the probe finds %v", err)
	}
	g = p.fetch(nil)
	g.until(t, "the mail", func() bool { return len(g.host.Kept()) == 1 && p.unseen() == 0 })
}

func mustLine(r *bufio.Reader) string { line, _ := r.ReadString('\n'); return line }

// The real server: TLS, its own IDLE, its own idea of flags.
func TestMailboxOfDovecot(t *testing.T) {
	cert, key, roots := certificate(t)
	d := dovecottest.Start(t, cert, key)
	d.Deliver(letterTo("n0qrb-9@"+domain, passed, "two cans"))
	d.Deliver(letterTo("treasurer@club.example", passed, "the bill"))
	p := &post{t: t, addr: d.Addr}
	withTLS := func(o *Options) {
		o.RootCAs = roots
		o.Mailbox.TLS, o.Mailbox.Username, o.Mailbox.Password = ImplicitTLS, dovecottest.User, dovecottest.Password
	}
	g := p.fetch(withTLS)
	g.until(t, "the first mail", func() bool { return len(g.host.Kept()) == 1 })
	d.Deliver(letterTo("n0qrb-9@"+domain, passed, "three cans"))
	g.until(t, "IDLE tells of the second", func() bool { return len(g.host.Kept()) == 2 })
	d.Deliver(letterTo("n0qrb-9@"+domain, "", "forged"))
	g.until(t, "two are seen, the forged one is flagged, too, the treasurer's is as it was", func() bool {
		marks := d.Marks()
		slices.Sort(marks)
		return slices.Equal(marks, []string{"", "FS", "S", "S"}) || slices.Equal(marks, []string{"FS", "S", "S", "new"})
	})
	if err := g.stop(); !errors.Is(err, context.Canceled) {
		t.Errorf("ends with %v", err)
	}

	g = p.fetch(func(o *Options) { withTLS(o); o.Mailbox.Password = "wrong" })
	g.until(t, "the wrong password is told", func() bool {
		s := g.host.States()
		return strings.Contains(s[len(s)-1].Why, "log in") && !strings.Contains(s[len(s)-1].Why, "wrong")
	})
	g = p.fetch(func(o *Options) { withTLS(o); o.RootCAs = x509.NewCertPool() })
	g.until(t, "the unknown certificate is told", func() bool {
		s := g.host.States()
		return strings.Contains(s[len(s)-1].Why, "certificate")
	})
}

// Whoever keeps the mails of each year apart renames the folder and makes another of
// its name: to a session that has it open the old one stays open (RFC 9051 section
// 6.3.6 says nothing of it, Dovecot does so).
func TestAFolderThatWasMadeAnew(t *testing.T) {
	cert, key, roots := certificate(t)
	d := dovecottest.Start(t, cert, key)
	d.Doveadm("", "mailbox", "create", "-u", dovecottest.User, "radio")
	save := func(text string) {
		d.Doveadm(letterTo("n0qrb-9@"+domain, passed, text), "save", "-u", dovecottest.User, "-m", "radio")
	}
	save("the old year")
	g := (&post{t: t, addr: d.Addr}).fetch(func(o *Options) {
		o.RootCAs, o.Mailbox.Folder, o.Mailbox.Every = roots, "radio", 200*time.Millisecond
		o.Mailbox.TLS, o.Mailbox.Username, o.Mailbox.Password = ImplicitTLS, dovecottest.User, dovecottest.Password
	})
	g.until(t, "the old year's", func() bool { return len(g.host.Kept()) == 1 })
	d.Doveadm("", "mailbox", "rename", "-u", dovecottest.User, "radio", "last-year")
	d.Doveadm("", "mailbox", "create", "-u", dovecottest.User, "radio")
	save("the new year")
	g.until(t, "the new year's", func() bool { return len(g.host.Kept()) == 2 })
}

// certificate makes a certificate for 127.0.0.1, as files for a server.
func certificate(t *testing.T) (cert, key string, roots *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(t.TempDir(), "cert.pem"), filepath.Join(t.TempDir(), "key.pem")
	for name, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := tls.LoadX509KeyPair(cert, key); err != nil {
		t.Fatal(err)
	}
	roots = x509.NewCertPool()
	roots.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return cert, key, roots
}

// A list that is none by RFC 5322 section 3.4 still says to whom the mail is.
func TestBrokenListsOfAddresses(t *testing.T) {
	o := testOptions()
	in := &intake{o: o}
	for list, want := range map[string][]string{
		"n0qrb-9@" + domain + "; treasurer@club.example":             {"N0QRB-9"},
		"J\xfcrgen <n0qrb-9@" + domain + ">, <n0qrc@" + domain + ">": {"N0QRB-9", "N0QRC"},
		"undisclosed-recipients:;":                                   nil,
		"a@b@" + domain:                                              nil,
		"Ann <ann@club..example>, n0qrb-9@" + domain:                 {"N0QRB-9"},
	} {
		if to, bounced := in.recipients([]byte("To: " + list + "\r\n\r\n")); !slices.Equal(to, want) || bounced != "" {
			t.Errorf("%q is to %q, want %q", list, to, want)
		}
	}
}
