// Package sink is a small SMTP server that keeps what it gets: the smarthost of
// the demo and of the tests. It can speak STARTTLS or implicit TLS with a
// certificate made on the spot, ask for a login, and answer any command with any
// reply, or with silence and a closed connection.
package sink

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"io"
	"log"
	"math/big"
	"net"
	"slices"
	"sync"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// Mail is one mail that the sink took.
type Mail struct {
	From   string // envelope sender, empty for <>
	To     []string
	Data   []byte
	Hello  string // how the client named itself
	TLS    bool
	Notify []smtp.DSNNotify // of the last recipient
	EnvID  string
}

// Options are the sink's settings; the zero value is a plain server on any port
// of the loopback.
type Options struct {
	Address            string // 127.0.0.1:0
	TLS                *tls.Config
	Implicit           bool // TLS from the first byte
	Username, Password string
	Login              bool // offer AUTH LOGIN only
	// Answer is asked at each step of a session ("MAIL", "RCPT", "DATA" before
	// the text is read, "END" after it) with the address. An error is the reply
	// (*smtp.SMTPError), ErrHangup closes the connection.
	Answer func(step, address string) error
}

// ErrHangup as an Answer closes the connection without a reply.
var ErrHangup = errors.New("hang up")

// Sink is a running server.
type Sink struct {
	o       Options
	ctx     context.Context
	l       net.Listener
	server  *smtp.Server
	stopped chan struct{}

	mu       sync.Mutex
	mails    []Mail
	arrived  chan struct{} // closed at the next mail; nil: nobody waits
	sessions int
}

// Listen starts a plain sink that ends with ctx.
func Listen(ctx context.Context, address string) (*Sink, error) {
	return Start(ctx, Options{Address: address})
}

// Start starts a sink that ends with ctx.
func Start(ctx context.Context, o Options) (*Sink, error) {
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", o.Address)
	if err != nil {
		return nil, fmt.Errorf("mail sink: %w", err)
	}
	s := &Sink{o: o, ctx: ctx, l: l, stopped: make(chan struct{})}
	s.server = smtp.NewServer(smtp.BackendFunc(s.session))
	s.server.Domain = "sink.example"
	s.server.ErrorLog = log.New(io.Discard, "", 0)
	s.server.MaxMessageBytes, s.server.MaxRecipients = 1<<20, 100
	s.server.ReadTimeout, s.server.WriteTimeout = time.Minute, time.Minute
	s.server.EnableDSN = true
	if o.TLS != nil && !o.Implicit {
		s.server.TLSConfig = o.TLS
	}
	all := &open{Listener: l, conns: map[*conn]struct{}{}}
	l = all
	if o.TLS != nil && o.Implicit {
		l = tls.NewListener(l, o.TLS)
	}
	served := make(chan struct{})
	go func() { s.server.Serve(l); close(served) }()
	go func() {
		<-ctx.Done()
		all.end()
		<-served
		s.server.Shutdown(context.Background()) // waits until each connection has been left
		close(s.stopped)
	}()
	return s, nil
}

// Address is where the sink listens.
func (s *Sink) Address() string { return s.l.Addr().String() }

// Stopped is closed once the sink has ended.
func (s *Sink) Stopped() <-chan struct{} { return s.stopped }

// Mails gives what has been taken so far.
func (s *Sink) Mails() []Mail {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.mails)
}

// Sessions is the number of connections so far that greeted.
func (s *Sink) Sessions() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.sessions
}

// Wait waits until n mails have been taken, and gives them.
func (s *Sink) Wait(ctx context.Context, n int) ([]Mail, error) {
	for {
		s.mu.Lock()
		mails := slices.Clone(s.mails)
		if s.arrived == nil {
			s.arrived = make(chan struct{})
		}
		arrived := s.arrived
		s.mu.Unlock()
		if len(mails) >= n {
			return mails, nil
		}
		select {
		case <-arrived:
		case <-ctx.Done():
			return mails, fmt.Errorf("waited for %d mails, got %d: %w", n, len(mails), ctx.Err())
		}
	}
}

func (s *Sink) keep(m Mail) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.mails = append(s.mails, m)
	if s.arrived != nil {
		close(s.arrived)
		s.arrived = nil
	}
}

func (s *Sink) session(c *smtp.Conn) (smtp.Session, error) {
	s.mu.Lock()
	s.sessions++
	s.mu.Unlock()
	return &session{sink: s, conn: c, open: s.o.Username == ""}, nil
}

type session struct {
	sink *Sink
	conn *smtp.Conn
	open bool // logged in, or no need to
	mail Mail
}

func (s *session) answer(step, address string) error {
	var err error
	if s.sink.o.Answer != nil {
		err = s.sink.o.Answer(step, address)
	}
	if s.sink.ctx.Err() != nil { // Close misses a connection that just came in
		err = ErrHangup
	}
	if errors.Is(err, ErrHangup) {
		s.conn.Conn().Close()
	}
	return err
}

// Mail implements smtp.Session, as do the methods below.
func (s *session) Mail(from string, o *smtp.MailOptions) error {
	if !s.open {
		return &smtp.SMTPError{Code: 530, EnhancedCode: smtp.EnhancedCode{5, 7, 0}, Message: "Authentication required"}
	}
	_, secure := s.conn.TLSConnectionState()
	s.mail = Mail{From: from, Hello: s.conn.Hostname(), TLS: secure, EnvID: o.EnvelopeID}
	return s.answer("MAIL", from)
}

func (s *session) Rcpt(to string, o *smtp.RcptOptions) error {
	if err := s.answer("RCPT", to); err != nil {
		return err
	}
	s.mail.To, s.mail.Notify = append(s.mail.To, to), o.Notify
	return nil
}

func (s *session) Data(r io.Reader) error {
	if err := s.answer("DATA", s.mail.From); err != nil {
		return err
	}
	var err error
	if s.mail.Data, err = io.ReadAll(r); err != nil {
		return err
	}
	if err := s.answer("END", s.mail.From); err != nil {
		return err
	}
	s.sink.keep(s.mail)
	return nil
}

func (s *session) Reset()        { s.mail = Mail{} }
func (s *session) Logout() error { return nil }

func (s *session) AuthMechanisms() []string {
	switch {
	case s.sink.o.Username == "":
		return nil
	case s.sink.o.Login:
		return []string{sasl.Login}
	}
	return []string{sasl.Plain}
}

func (s *session) Auth(mech string) (sasl.Server, error) {
	check := func(username, password string) error {
		if username != s.sink.o.Username || password != s.sink.o.Password {
			return smtp.ErrAuthFailed
		}
		s.open = true
		return nil
	}
	if mech == sasl.Login {
		return &login{check: check}, nil
	}
	return sasl.NewPlainServer(func(_, username, password string) error { return check(username, password) }), nil
}

// login is the server's side of AUTH LOGIN, which go-sasl leaves out: the name
// comes with the command or is asked for, then the password is asked for.
type login struct {
	check    func(username, password string) error
	username string
	asked    bool
}

func (l *login) Next(response []byte) (challenge []byte, done bool, err error) {
	switch {
	case response == nil:
		return []byte("Username:"), false, nil
	case !l.asked:
		l.username, l.asked = string(response), true
		return []byte("Password:"), false, nil
	}
	return nil, true, l.check(l.username, string(response))
}

// Certificate makes a certificate for a host name or address that is good for a
// day, and the pool that trusts it.
func Certificate(host string) (tls.Certificate, *x509.CertPool, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, nil, err
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: host},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, IsCA: true, BasicConstraintsValid: true,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if ip := net.ParseIP(host); ip != nil {
		template.IPAddresses = []net.IP{ip}
	} else {
		template.DNSNames = []string{host}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return tls.Certificate{}, nil, err
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		return tls.Certificate{}, nil, err
	}
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}, pool, nil
}
