package mail

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"posthouse/bridge/link"
)

const (
	idleFor   = 30 * time.Second // a connection waits for the next mail
	mostMails = 100              // in one connection, so that a server may balance its load
	firstTry  = 2 * time.Second  // to a smarthost that is away, doubled to lastTry
	lastTry   = 2 * time.Minute
	contentIn = time.Minute // a server that takes no more connections is not asked for more
)

// smarthost keeps a few connections to the one server that takes our mail.
//
// It is up once a connection came about, TLS and login included, and down when
// one did not; then only run tries again, so that a dead smarthost costs one
// connection attempt at a time and no message is touched. While it takes mail on
// other connections it is not down but has enough of us: many servers allow a
// client only a few. Then the next mail waits for one of those.
type smarthost struct {
	o    Options
	log  *slog.Logger
	wake chan struct{} // tells run that the smarthost went away

	freed chan struct{} // tells those who wait that a connection came free, or that there is one less

	mu     sync.Mutex
	host   link.Host // nil: not running
	state  state
	idle   []*connection
	open   int       // connections there are or that are being made, the idle ones included
	enough time.Time // until then the server is not asked for more of them
}

// state is what the last connection attempt said.
type state int

const (
	untried state = iota
	up
	down
)

// connection is one SMTP session. It is used by one mail at a time.
type connection struct {
	*smtp.Client
	conn  net.Conn
	used  int // mails
	since time.Time
}

func newSmarthost(o Options, log *slog.Logger) *smarthost {
	return &smarthost{o: o, log: log, wake: make(chan struct{}, 1), freed: make(chan struct{}, parallel)}
}

// run keeps the smarthost's state true until ctx ends, then closes what is idle.
func (p *smarthost) run(ctx context.Context, host link.Host) {
	p.mu.Lock()
	p.host = host
	p.mu.Unlock()
	defer p.stop()
	sweep := time.NewTicker(idleFor / 6)
	defer sweep.Stop()
	for {
		if !p.isUp() {
			p.reconnect(ctx)
		}
		select {
		case <-ctx.Done():
			return
		case <-p.wake:
		case <-sweep.C:
			p.closeIdle(idleFor)
		}
	}
}

// reconnect tries until a connection is there or ctx ends.
func (p *smarthost) reconnect(ctx context.Context) {
	for wait := firstTry; ctx.Err() == nil; wait *= 2 {
		p.mu.Lock()
		p.open++
		p.mu.Unlock()
		c, err := p.connect(ctx)
		if err == nil {
			p.put(c)
			return
		}
		wait = min(wait, longest(err))
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
}

// longest is the longest wait before the next try. What a server refuses for good, as
// a login, is no outage, and it locks out those who knock too often.
func longest(err error) time.Duration {
	if answer, ok := errors.AsType[*smtp.SMTPError](err); ok && answer.Code/100 == 5 {
		return lastLogin
	}
	return lastTry
}

func (p *smarthost) stop() {
	p.mu.Lock()
	p.host = nil
	p.mu.Unlock()
	p.closeIdle(0)
}

func (p *smarthost) isUp() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state == up
}

// get gives a connection, an idle one if there is one; fresh tells which. Where
// the server takes no more it waits for one.
func (p *smarthost) get(ctx context.Context) (c *connection, fresh bool, err error) {
	for {
		c, wait, err := p.take()
		if c != nil || err != nil {
			return c, false, err
		}
		if wait <= 0 {
			if c, err = p.connect(ctx); err == nil || !errors.Is(err, errEnough) {
				return c, true, err
			}
			continue
		}
		select {
		case <-ctx.Done():
			return nil, false, ctx.Err()
		case <-p.freed:
		case <-time.After(wait):
		}
	}
}

// take gives an idle connection, or says how long to wait before a new one may
// be made; 0: now, and it is counted.
func (p *smarthost) take() (c *connection, wait time.Duration, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.host == nil || p.state == down {
		return nil, 0, link.ErrDown
	}
	if n := len(p.idle); n > 0 {
		c, p.idle = p.idle[n-1], p.idle[:n-1]
		return c, 0, nil
	}
	if wait = time.Until(p.enough); wait <= 0 || p.open == 0 {
		p.open++
		wait = 0
	}
	return nil, wait, nil
}

// put keeps a connection for the next mail.
func (p *smarthost) put(c *connection) {
	p.mu.Lock()
	keep := p.host != nil && c.used < mostMails && len(p.idle) < parallel
	if keep {
		c.since = time.Now()
		p.idle = append(p.idle, c)
	}
	p.mu.Unlock()
	if !keep {
		c.quit()
		p.less(1)
		return
	}
	p.free(1)
}

// drop closes a connection that is of no use any more.
func (p *smarthost) drop(c *connection) {
	c.conn.Close()
	p.less(1)
}

// less counts connections that are gone.
func (p *smarthost) less(n int) {
	p.mu.Lock()
	p.open -= n
	p.mu.Unlock()
	p.free(n)
}

func (p *smarthost) free(n int) {
	for range n {
		select {
		case p.freed <- struct{}{}:
		default: // as many are told as can wait
		}
	}
}

func (p *smarthost) closeIdle(after time.Duration) {
	p.mu.Lock()
	var old, young []*connection
	for _, c := range p.idle {
		if time.Since(c.since) >= after {
			old = append(old, c)
		} else {
			young = append(young, c)
		}
	}
	p.idle = young
	p.mu.Unlock()
	for _, c := range old {
		c.quit()
	}
	p.less(len(old))
}

// quit ends a session politely, and soon in any case.
func (c *connection) quit() {
	c.CommandTimeout = time.Second
	c.Quit()
	c.conn.Close()
}

// errEnough says that the server took no further connection, while it has others
// of ours.
var errEnough = errors.New("the smarthost takes no more connections")

// connect makes a connection that take or run has counted, and reports how that
// went.
func (p *smarthost) connect(ctx context.Context) (*connection, error) {
	c, err := p.dial(ctx)
	if ctx.Err() != nil {
		if c != nil {
			c.conn.Close()
		}
		p.less(1)
		return nil, ctx.Err()
	}
	if err == nil {
		p.isThere()
		return c, nil
	}
	p.less(1)
	if p.hasOthers() {
		return nil, fmt.Errorf("%w: %w", errEnough, err)
	}
	p.isAway(err)
	return nil, fmt.Errorf("%w: %w", link.ErrDown, err)
}

// hasOthers tells whether the server has other connections of ours. Then it is
// not asked for more for a while.
func (p *smarthost) hasOthers() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.open == 0 || p.state != up {
		return false
	}
	p.enough = time.Now().Add(contentIn)
	return true
}

// isThere tells the bridge that a connection came about.
func (p *smarthost) isThere() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.host != nil && p.state != up {
		p.state = up
		p.host.State(true, "connected to "+p.o.Smarthost)
	}
}

// isAway tells the bridge why there is no connection, and has run try again.
func (p *smarthost) isAway(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.host == nil {
		return
	}
	p.state = down
	p.host.State(false, err.Error())
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// dial connects, within DialTimeout, then greets and logs in, within GreetTimeout.
// Everything that fails here is the smarthost's or the settings' fault, never a message's.
func (p *smarthost) dial(ctx context.Context) (*connection, error) {
	conn, err := p.reach(ctx)
	if err != nil {
		return nil, fmt.Errorf("connect to the smarthost: %w", err)
	}
	began := time.Now()
	ctx, cancel := context.WithTimeout(ctx, p.o.GreetTimeout)
	defer cancel()
	// go-smtp knows no context.
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	client, err := p.greet(conn)
	if !stop() || errors.Is(err, os.ErrDeadlineExceeded) {
		err = fmt.Errorf("it did not answer within %v: %w", time.Since(began).Round(time.Second), cmp.Or(ctx.Err(), err))
	}
	if err != nil {
		conn.Close()
		return nil, cleanError("smarthost "+p.o.Smarthost, err)
	}
	client.SubmissionTimeout = p.o.SubmitTimeout
	return &connection{Client: client, conn: conn}, nil
}

func (p *smarthost) reach(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, p.o.DialTimeout)
	defer cancel()
	conn, err := p.o.Dial(ctx, "tcp", p.o.Smarthost)
	if err != nil {
		return nil, err
	}
	return bounded(conn), nil
}

func (p *smarthost) greet(conn net.Conn) (c *smtp.Client, err error) {
	host, _, err := net.SplitHostPort(p.o.Smarthost)
	if err != nil {
		return nil, err
	}
	conf := &tls.Config{ServerName: host, RootCAs: p.o.RootCAs, MinVersion: tls.VersionTLS12}
	switch p.o.SmarthostTLS {
	case ImplicitTLS:
		c = smtp.NewClient(tls.Client(conn, conf))
	case StartTLS: // an error if the server does not offer it
		if c, err = smtp.NewClientStartTLS(conn, conf); err != nil {
			return nil, err
		}
	default:
		c = smtp.NewClient(conn)
	}
	if err := c.Hello(p.o.Domain); err != nil {
		return nil, err
	}
	return c, p.login(c)
}

// login uses PLAIN (RFC 4616), or LOGIN where there is nothing better. Both need
// TLS; New made sure of that.
func (p *smarthost) login(c *smtp.Client) error {
	switch {
	case p.o.Username == "" && p.isUp():
		return nil
	case p.o.Username == "":
		return needless(c)
	case c.SupportsAuth(sasl.Plain):
		return c.Auth(sasl.NewPlainClient("", p.o.Username, p.o.Password))
	case c.SupportsAuth(sasl.Login):
		return c.Auth(sasl.NewLoginClient(p.o.Username, p.o.Password))
	}
	return errors.New("it offers neither AUTH PLAIN nor LOGIN: check its settings, or take the user name away")
}

// needless tells whether the server does without a login: some say only to a mail that
// they want one, or TLS. None is begun; what else it may have against the null sender does not
// matter.
func needless(c *smtp.Client) error {
	if err := c.Mail("", nil); wantsLogin(err) {
		return fmt.Errorf("it takes no mail like this, set a user name, or TLS: %w", err)
	} else if err != nil && !isAnswer(err) {
		return err
	}
	return c.Reset()
}

// wantsLogin knows the answers of RFC 4954 section 6, and 530 of RFC 3207 section 4, too:
// the settings are wrong, not the mail.
func wantsLogin(err error) bool {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	return ok && (answer.Code == 530 || answer.Code == 535 || answer.Code == 538)
}
