package mail

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/reach"
	"posthouse/bridge/link"
)

// How the connection to the smarthost is protected.
const (
	StartTLS    = "starttls"
	ImplicitTLS = "implicit"
	NoTLS       = "none"
)

// Options are the settings of one mail link. Zero values take the default that
// is named.
type Options struct {
	Name string // of the link
	Call string // the gateway's own call sign

	Listen   string       // host:port of the SMTP server; empty: none
	Listener net.Listener // instead of Listen
	Domain   string       // right of the @ in the stations' addresses; needed

	Smarthost          string // host:port; empty: nothing is sent
	SmarthostTLS       string // StartTLS (default), ImplicitTLS or NoTLS
	Username, Password string // at the smarthost; only with TLS
	RootCAs            *x509.CertPool
	Dial               func(ctx context.Context, network, address string) (net.Conn, error)

	Certificate func() *tls.Certificate // for STARTTLS with those who write to us, at each handshake; nil: none is offered

	Mailbox Mailbox // to fetch mail from; without a Server: none

	Allow           []Allow        // who may write to stations
	Relays          []netip.Prefix // own mail servers, which have checked the sender; nil: loopback
	MaxMessageBytes int64          // 64 KiB

	// Named tells whether a name, in capitals, is a group or an alias: mail in the
	// mailbox to another name without a digit is somebody else's. Nil: any may be one.
	Named func(name string) bool

	// ReplyFor tells whether a station wrote to a mail address lately, so that
	// its owner may answer that station. Nil: nobody did.
	ReplyFor func(address, station string) bool

	// BounceKey signs the bounce addresses: at least 16 secret bytes that stay
	// the same over restarts.
	BounceKey []byte

	Lifetime     time.Duration // 120h; a signed mail that is older is a replay
	ClockTrusted func() bool   // nil: always
	LookupTXT    func(ctx context.Context, domain string) ([]string, error)

	ReadTimeout   time.Duration // 2m: for one command, and for a whole mail's text
	WriteTimeout  time.Duration // 30s
	DialTimeout   time.Duration // 30s, until a server is connected; the mailbox's greeting, TLS and login included
	GreetTimeout  time.Duration // 10m, for the smarthost's greeting, TLS and login
	SubmitTimeout time.Duration // 10m, for the answer to a whole mail

	Log *slog.Logger
	Now func() time.Time
}

// The fixed limits.
const (
	maxRecipients  = 5   // of one mail; more are deferred one by one (452 4.5.3)
	maxConnections = 20  // of the server
	maxPerClient   = 5   // of these, from one address that is not a relay
	maxStrangers   = 15  // of these, from all addresses that are no relays
	maxReceived    = 30  // Received lines: more is a loop
	maxDepth       = 8   // multiparts inside each other
	maxParts       = 50  // of one mail, multiparts included
	maxSignatures  = 3   // DKIM signatures that are checked
	maxWhy         = 300 // bytes of a reason in a reply or a result
	parallel       = 8   // connections to the smarthost, fewer where it takes fewer
)

// Adapter is a mail link.
type Adapter struct {
	o    Options
	log  *slog.Logger
	post *smarthost // nil: nothing is sent
}

var _ link.Link = (*Adapter)(nil)

// New checks the options. It opens nothing.
func New(o Options) (*Adapter, error) {
	o = o.withDefaults()
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("mail link %s: %w", o.Name, err)
	}
	a := &Adapter{o: o, log: o.Log.With("link", o.Name)}
	if o.Smarthost != "" {
		a.post = newSmarthost(o, a.log)
	}
	return a, nil
}

func (o Options) withDefaults() Options {
	o.Domain = strings.ToLower(strings.TrimSuffix(o.Domain, "."))
	o.SmarthostTLS = cmp.Or(o.SmarthostTLS, StartTLS)
	o.MaxMessageBytes = cmp.Or(o.MaxMessageBytes, 64<<10)
	o.Lifetime = cmp.Or(o.Lifetime, 120*time.Hour)
	o.ReadTimeout = cmp.Or(o.ReadTimeout, 2*time.Minute)
	o.WriteTimeout = cmp.Or(o.WriteTimeout, 30*time.Second)
	o.DialTimeout = cmp.Or(o.DialTimeout, 30*time.Second)
	// RFC 5321 section 4.5.3.2, as the 5 minutes that go-smtp gives each answer. Giving up
	// sooner makes copies, and a slow server would never get a mail. One that has vanished is
	// noticed sooner, see package reach.
	o.GreetTimeout = cmp.Or(o.GreetTimeout, 10*time.Minute)
	o.SubmitTimeout = cmp.Or(o.SubmitTimeout, 10*time.Minute)
	if o.Relays == nil {
		o.Relays = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}
	}
	if o.ReplyFor == nil {
		o.ReplyFor = func(string, string) bool { return false }
	}
	if o.ClockTrusted == nil {
		o.ClockTrusted = func() bool { return true }
	}
	if o.LookupTXT == nil {
		o.LookupTXT = net.DefaultResolver.LookupTXT
	}
	if o.Dial == nil {
		o.Dial = reach.Dial
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	o.Mailbox = o.Mailbox.withDefaults()
	o.Allow = slices.Clone(o.Allow)
	for i := range o.Allow {
		o.Allow[i].Address = strings.ToLower(o.Allow[i].Address)
	}
	return o
}

func (o Options) check() error {
	switch {
	case o.Domain == "" || !isDomain(o.Domain):
		return fmt.Errorf("domain %q: give the mail domain of the stations' addresses, in ASCII (radio.club.example)", o.Domain)
	case o.Smarthost == "" && !o.listens() && o.Mailbox.Server == "":
		return errors.New("neither an address to listen on nor a mailbox nor a smarthost is set: give at least one")
	case len(o.BounceKey) < 16:
		return errors.New("the key for bounce addresses needs at least 16 bytes")
	case o.Username != "" && o.SmarthostTLS == NoTLS:
		return errors.New("a password would go to the smarthost in clear: use starttls or implicit, or no user name")
	}
	for _, allow := range o.Allow {
		if err := allow.check(); err != nil {
			return err
		}
	}
	if err := o.Mailbox.check(o.Domain); err != nil {
		return err
	}
	if o.Smarthost == "" {
		return nil
	}
	if _, _, err := net.SplitHostPort(o.Smarthost); err != nil {
		return fmt.Errorf("smarthost %q: write host:port (mail.club.example:587)", o.Smarthost)
	}
	if !slices.Contains([]string{StartTLS, ImplicitTLS, NoTLS}, o.SmarthostTLS) {
		return fmt.Errorf("smarthost TLS %q: write starttls, implicit or none", o.SmarthostTLS)
	}
	return nil
}

func (o Options) listens() bool { return o.Listen != "" || o.Listener != nil }

// Properties implements link.Link: a whole mail at a time, and the smarthost's
// 250 is the end of it.
func (a *Adapter) Properties() link.Properties {
	return link.Properties{Final: true, Batch: 1, Parallel: parallel}
}

// Run implements link.Link. It ends with an error of its own only when it
// cannot listen.
func (a *Adapter) Run(ctx context.Context, host link.Host) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	sides := &sides{Host: host}
	var running sync.WaitGroup
	var failed error
	if a.o.listens() {
		srv, err := newServer(a.o, a.log, host)
		if err != nil {
			return fmt.Errorf("mail link %s: %w", a.o.Name, err)
		}
		running.Go(func() { failed = srv.run(ctx); cancel() })
	}
	if a.o.Mailbox.Server != "" {
		sides.fetching("not connected to the mailbox yet", a.post == nil)
		running.Go(func() { newFetcher(a.o, a.log, sides).run(ctx) })
	}
	switch {
	case a.post != nil:
		a.post.run(ctx, sides)
	case a.o.Mailbox.Server == "":
		host.State(true, "listening")
	}
	<-ctx.Done()
	running.Wait()
	if failed != nil {
		return fmt.Errorf("mail link %s: %w", a.o.Name, failed)
	}
	return ctx.Err()
}

// isDomain tells whether s is a host name in ASCII (RFC 5321 section 4.1.2; 255
// octets by section 4.5.3.1.2).
func isDomain(s string) bool {
	if len(s) > 255 {
		return false
	}
	for label := range strings.SplitSeq(s, ".") {
		if label == "" || len(label) > 63 || strings.Trim(label, letters+digits+"-") != "" {
			return false
		}
	}
	return true
}

const (
	letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
	digits  = "0123456789"
)
