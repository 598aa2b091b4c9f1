package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
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
)

// smarthost keeps a few connections to the one server that takes our mail.
//
// It is up once a connection came about, TLS and login included, and down when
// one did not; then only run tries again, so that a dead smarthost costs one
// connection attempt at a time and no message is touched.
type smarthost struct {
	o    Options
	log  *slog.Logger
	wake chan struct{} // tells run that the smarthost went away

	mu    sync.Mutex
	host  link.Host // nil: not running
	state state
	idle  []*connection
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
	return &smarthost{o: o, log: log, wake: make(chan struct{}, 1)}
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
	for wait := firstTry; ctx.Err() == nil; wait = min(2*wait, lastTry) {
		if c, err := p.connect(ctx); err == nil {
			p.put(c)
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
	}
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

// get gives a connection, an idle one if there is one; fresh tells which.
func (p *smarthost) get(ctx context.Context) (c *connection, fresh bool, err error) {
	p.mu.Lock()
	if p.host == nil || p.state == down {
		p.mu.Unlock()
		return nil, false, link.ErrDown
	}
	if n := len(p.idle); n > 0 {
		c = p.idle[n-1]
		p.idle = p.idle[:n-1]
		p.mu.Unlock()
		return c, false, nil
	}
	p.mu.Unlock()
	c, err = p.connect(ctx)
	return c, true, err
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
}

// quit ends a session politely, and soon in any case.
func (c *connection) quit() {
	c.CommandTimeout = time.Second
	c.Quit()
	c.conn.Close()
}

// connect makes a new connection and reports how that went.
func (p *smarthost) connect(ctx context.Context) (*connection, error) {
	c, err := p.open(ctx)
	if ctx.Err() != nil {
		if c != nil {
			c.conn.Close()
		}
		return nil, ctx.Err()
	}
	p.report(err)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", link.ErrDown, err)
	}
	return c, nil
}

// report tells the bridge how a connection attempt went, in the order in which
// attempts end.
func (p *smarthost) report(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.host == nil {
		return
	}
	if err == nil {
		if p.state != up {
			p.state = up
			p.host.State(true, "connected to "+p.o.Smarthost)
		}
		return
	}
	p.state = down
	p.host.State(false, err.Error())
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// open dials, greets, and logs in, all within DialTimeout. Everything that fails
// here is the smarthost's or the settings' fault, never a message's.
func (p *smarthost) open(ctx context.Context) (*connection, error) {
	ctx, cancel := context.WithTimeout(ctx, p.o.DialTimeout)
	defer cancel()
	dialled, err := p.o.Dial(ctx, "tcp", p.o.Smarthost)
	if err != nil {
		return nil, fmt.Errorf("connect to the smarthost: %w", err)
	}
	conn := bounded(dialled)
	// go-smtp knows no context, and its waits are minutes.
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	client, err := p.greet(conn)
	if !stop() && err == nil {
		err = ctx.Err()
	}
	if err != nil {
		conn.Close()
		return nil, cleanError("smarthost "+p.o.Smarthost, err)
	}
	client.CommandTimeout, client.SubmissionTimeout = p.o.CommandTimeout, p.o.SubmitTimeout
	return &connection{Client: client, conn: conn}, nil
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
	case p.o.Username == "":
		return nil
	case c.SupportsAuth(sasl.Plain):
		return c.Auth(sasl.NewPlainClient("", p.o.Username, p.o.Password))
	case c.SupportsAuth(sasl.Login):
		return c.Auth(sasl.NewLoginClient(p.o.Username, p.o.Password))
	}
	return errors.New("it offers neither AUTH PLAIN nor LOGIN: check its settings, or take the user name away")
}
