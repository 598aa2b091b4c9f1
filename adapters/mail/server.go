package mail

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// server is the SMTP side that people and their mail servers write to.
type server struct {
	intake
	smtp *smtp.Server
	in   *limited
}

// stopWait is how long a mail that is being taken over may take after stop.
const stopWait = 3 * time.Second

func newServer(o Options, log *slog.Logger, host link.Host) (*server, error) {
	l := o.Listener
	if l == nil {
		var err error
		if l, err = net.Listen("tcp", o.Listen); err != nil {
			return nil, fmt.Errorf("listen for mail on %s: %w (is the port in use, or below 1024 without the right to it?)", o.Listen, err)
		}
	}
	s := &server{intake: intake{o: o, log: log, host: host}}
	s.in = limit(l, s.isRelay)
	srv := smtp.NewServer(smtp.BackendFunc(s.session))
	srv.Domain = o.Domain
	srv.MaxMessageBytes, srv.MaxRecipients = o.MaxMessageBytes, maxRecipients
	srv.ReadTimeout, srv.WriteTimeout = o.ReadTimeout, o.WriteTimeout
	srv.EnableSMTPUTF8, srv.EnableDSN, srv.AllowInsecureAuth = false, true, false
	srv.ErrorLog = errorLog{log}
	if o.Certificate != nil {
		srv.TLSConfig = &tls.Config{
			GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return o.Certificate(), nil },
			MinVersion:     tls.VersionTLS12,
		}
	}
	s.smtp = srv
	return s, nil
}

// run serves until ctx ends, and returns when every connection is gone.
func (s *server) run(ctx context.Context) error {
	hard, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	s.ctx = hard
	failed := make(chan error, 1)
	go func() { failed <- s.smtp.Serve(s.in) }()
	s.log.Info("mail server listens", "address", s.in.Addr().String())
	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
		failed <- nil
	}
	s.in.drain()
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		s.in.Close() // Shutdown knows the listener only once Serve has begun
		<-failed
		s.smtp.Shutdown(context.Background())
	}()
	late := time.NewTimer(stopWait)
	defer late.Stop()
	select {
	case <-gone:
	case <-late.C:
		cut()
		s.in.cut()
		<-gone
	}
	return err
}

func (s *server) isRelay(addr netip.Addr) bool {
	return slices.ContainsFunc(s.o.Relays, func(p netip.Prefix) bool { return p.Contains(addr) })
}

func (s *server) session(c *smtp.Conn) (smtp.Session, error) {
	return &session{server: s, conn: c, relay: s.isRelay(addressOf(c.Conn()))}, nil
}

// session is one SMTP conversation.
type session struct {
	*server
	conn  *smtp.Conn
	relay bool // the client is one of the operator's own mail servers

	from     string   // envelope sender in lower case; empty: <>
	to       []string // stations
	bounced  string   // the message that a report is about, instead of stations
	refusals int      // recipients refused in this session
}

// maxRefusals ends a conversation that only tries names.
const maxRefusals = 20

// Reset implements smtp.Session.
func (s *session) Reset() { s.from, s.to, s.bounced = "", nil, "" }

// Logout implements smtp.Session.
func (s *session) Logout() error { return nil }

// Mail implements smtp.Session.
func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	if !isASCII(from) {
		return notASCII("sender")
	}
	s.Reset()
	s.from = canonical(from)
	return nil
}

// Rcpt implements smtp.Session.
func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	err := s.rcpt(to)
	if err == nil {
		return nil
	}
	if s.refusals++; s.refusals > maxRefusals {
		s.conn.Conn().SetReadDeadline(time.Now())
		return reply(421, 4, 7, 0, "too many refused recipients")
	}
	local, _ := s.o.localPart(to)
	station, _ := stationIn(local)
	return s.refused(err, message.Message{From: s.from, To: cmp.Or(station, local)})
}

func (s *session) rcpt(to string) error {
	if !isASCII(to) {
		return notASCII("recipient")
	}
	local, ok := s.o.localPart(to)
	if !ok {
		return reply(550, 5, 7, 1, "we take mail for %s only and never relay", s.o.addressOf("CALL"))
	}
	if isBounce(local) {
		return s.rcptBounce(local)
	}
	if s.bounced != "" {
		return reply(550, 5, 5, 3, "a delivery report has one recipient")
	}
	if s.from == "" {
		return reply(550, 5, 7, 1, "mail without a sender is taken at bounce addresses only")
	}
	station, ok := stationIn(local)
	if !ok {
		return reply(550, 5, 1, 1, "%s is no call sign, group or alias", clip(station, 64))
	}
	if err := s.judgeEnvelope(station); err != nil {
		return err
	}
	if !slices.Contains(s.to, station) {
		s.to = append(s.to, station)
	}
	return nil
}

func (s *session) rcptBounce(local string) error {
	id, ok := bouncedID(s.o.BounceKey, local)
	switch {
	case !ok:
		return reply(550, 5, 1, 1, "no such bounce address")
	case s.from != "" && !strings.HasPrefix(s.from, "mailer-daemon@"): // some servers leave the sender in
		return reply(550, 5, 7, 1, "a bounce address takes delivery reports only: to write to a station use its call sign")
	case s.bounced != "" || len(s.to) > 0:
		return reply(550, 5, 5, 3, "a delivery report has one recipient")
	}
	s.bounced = id
	return nil
}

// judgeEnvelope refuses early what the envelope alone shows. It never lets
// anything in: that is decided by the header's From after DATA.
func (s *session) judgeEnvelope(station string) error {
	if rewritten(s.from) {
		return nil
	}
	who, ok := s.o.permitted(s.from, station)
	if !ok {
		return refuse(link.CodeNotAllowed, "%s may not write to %s here", s.from, station)
	}
	m := who.message(s.o.Name, station)
	m.Text = "hello" // or the lack of a text would be all that is said
	v := s.host.Judge(m)
	if v.Refused() && aboutAddress(v.Code) {
		return refuse(v.Code, "%s: %s", station, v.Why)
	}
	return nil
}

// aboutAddress tells whether a refusal can be meant before the text is known.
func aboutAddress(code string) bool {
	switch code {
	case link.CodeNoCallsign, link.CodeBlocked, link.CodeTooMany, link.CodeNoRoute,
		link.CodeThirdParty, link.CodeNotAllowed, link.CodeFull:
		return true
	}
	return false
}

// Data implements smtp.Session. nil answers 250.
func (s *session) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err == nil && !whole(r, s.conn.Conn()) {
		err = io.ErrUnexpectedEOF
	}
	if errors.Is(err, smtp.ErrDataReset) {
		// Of chunks only: the client took them back, or has its answer. What is given
		// here go-smtp would take for the result of the next mail (v0.26.0 still), so
		// the goroutine that it made for this one ends without any.
		runtime.Goexit()
	}
	if err != nil {
		if tooLarge, ok := errors.AsType[*smtp.SMTPError](err); ok {
			return s.refused(tooLarge, s.about(nil))
		}
		if errors.Is(err, smtp.ErrTooLongLine) { // go-smtp ends the session
			return s.refused(reply(554, 5, 6, 0, "the mail has a line of more than 2000 octets"), s.about(nil))
		}
		// Else the rest of the text would be read as commands (go-smtp issue 196).
		s.conn.Conn().Close()
		return reply(451, 4, 4, 2, "the mail did not come in whole")
	}
	if s.bounced != "" {
		return s.refused(s.takeReport(raw, s.bounced), s.about(nil))
	}
	m, err := s.take(raw)
	return s.refused(err, s.about(m))
}

// whole tells whether a mail came to its end. Of one that comes in chunks (BDAT,
// RFC 3030 section 2) go-smtp takes the end of the connection for that of the chunk:
// half a mail would go on air, and all of it once more when it is sent again.
func whole(r io.Reader, conn net.Conn) bool {
	if _, chunked := r.(*io.PipeReader); !chunked {
		return true
	}
	if c, ok := conn.(*served); ok {
		return !c.ended.Load()
	}
	// Only TLS itself knows that it was ended, and says so first. At worst this eats
	// a byte of a command that was sent ahead, which is then none.
	conn.SetReadDeadline(time.Unix(1, 0))
	_, err := conn.Read(make([]byte, 1))
	return err == nil || errors.Is(err, os.ErrDeadlineExceeded)
}

// take hands one mail for stations to the bridge, and gives it as far as it could
// be read.
func (s *session) take(raw []byte) (*incoming, error) {
	m, err := readMail(raw, s.o.Now())
	if err != nil {
		return m, err
	}
	if !s.relay || m.oddFrom { // what a relay has checked may be another address
		if err := s.vouch(m, raw, s.to); err != nil {
			return m, err
		}
	}
	return m, s.handOver(m, s.to)
}

// about is what the log says of a mail that is refused: the envelope, and the
// text if it could be read.
func (s *session) about(m *incoming) message.Message {
	text := message.Message{From: s.from, To: strings.Join(s.to, ", ")}
	if m != nil {
		m.fill(&text)
		text.From = cmp.Or(m.from, s.from)
	}
	return text
}
