package broker

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

const (
	connectWait   = 15 * time.Second
	subscribeWait = 10 * time.Second
	keepAlive     = 30 * time.Second
	firstWait     = 250 * time.Millisecond // before the first reconnect, then doubled
	longestWait   = 30 * time.Second
	steady        = time.Minute // a connection that lasted this long starts the waits afresh
)

// sessionOptions say how to reach a broker, and what to hear of there.
type sessionOptions struct {
	URLs               []*url.URL // tcp or ssl, with a port; tried in this order
	TLS                *tls.Config
	CAFile             string // read again at each connect, since the broker's may be renewed; empty: as TLS says
	ClientID           string // fixed: the broker keeps the session under it
	Username, Password string
	Topics             []string // filters, each at QoS 1
	Not                []string // filters that the broker may still have of this session's past
	Clean              bool     // the broker forgets the session with the connection
	Will               *will    // what the broker says for us when we vanish; nil: nothing
}

// will is a last will (MQTT 3.1.1 section 3.1.2.5).
type will struct {
	topic   string
	payload func() []byte // asked at each connect
}

// session is a persistent MQTT session at somebody's broker. Each connection is
// a new client of the library under the same client id: the broker's half of the
// session goes on (what it could not deliver comes again), ours begins afresh
// with every connection, since the queue sends again what was not confirmed.
type session struct {
	opts sessionOptions
	at   atomic.Int32 // which of opts.URLs was reached last; the library dials from a goroutine of its own
	cut  atomic.Int32 // how often in turn the broker closed a connection soon after it was made

	mu     sync.Mutex
	conn   *connection     // nil: down
	wanted map[string]bool // filters beside Topics, see want
}

func newSession(opts sessionOptions) *session {
	quietLibrary()
	return &session{opts: opts}
}

// run implements transport.
func (s *session) run(ctx context.Context, h handler) error {
	wait := firstWait
	for {
		began := time.Now()
		err := s.connect(ctx, h)
		if ctx.Err() != nil {
			h.state(false, "stopped")
			return ctx.Err()
		}
		h.state(false, err.Error())
		held := time.Since(began) > steady
		if held || errors.Is(err, errOverflow) {
			wait = firstWait
		}
		s.turn(held, err)
		// Jitter, so that gateways that lost one broker do not come back as one.
		pause := time.NewTimer(wait/2 + rand.N(wait/2))
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return ctx.Err()
		}
		wait = min(2*wait, longestWait)
	}
}

// turn chooses the address that is dialled first the next time: the one behind a
// broker that refused us or did not keep us, and the same one for what it holds
// back. After that the list begins again, so that gateways with the same list meet.
func (s *session) turn(held bool, err error) {
	switch {
	case errors.Is(err, errOverflow):
	case held:
		s.at.Store(0)
	default:
		s.at.Store((s.at.Load() + 1) % int32(len(s.opts.URLs)))
	}
}

// publish implements transport.
func (s *session) publish(ctx context.Context, out []packet) []error {
	s.mu.Lock()
	c := s.conn
	s.mu.Unlock()
	if c == nil {
		return all(len(out), link.ErrDown)
	}
	return c.flights.send(ctx, c.lost, out, c.offer)
}

func (c *connection) offer(p packet) token {
	if !c.client.IsConnectionOpen() {
		return over{link.ErrDown}
	}
	t := c.client.Publish(p.topic, 1, p.retained, p.payload)
	if failed(t) {
		return over{t.Error()}
	}
	return t
}

// want sets the filters that are subscribed beside Topics, now and at each
// connect. A refusal or loss ends the connection, and all begins anew.
func (s *session) want(filters []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	set := make(map[string]bool, len(filters))
	var more, less []string
	for _, f := range filters {
		set[f] = true
		if !s.wanted[f] {
			more = append(more, f)
		}
	}
	for f := range s.wanted {
		if !set[f] {
			less = append(less, f)
		}
	}
	s.wanted = set
	if s.conn == nil || len(more)+len(less) == 0 {
		return
	}
	if len(less) > 0 {
		s.conn.client.Unsubscribe(less...)
	}
	if c := s.conn; len(more) > 0 {
		c.keeping.Go(func() { c.subscribe(more) })
	}
}

// subscribe adds subscriptions to a running connection, and makes sure that they
// are granted. A broker may refuse one for a packet id that it is using the other
// way (the library of the built-in one keeps both directions in one table), so
// that the next try, under the next id, is granted.
func (c *connection) subscribe(filters []string) {
	for try := time.Duration(1); ; try++ {
		t := c.client.SubscribeMultiple(atQoS1(filters), nil)
		select {
		case <-t.Done():
		case <-c.lost:
			return
		}
		err := granted(t)
		if err == nil {
			return
		}
		if try > subscribeTries {
			c.end(err)
			return
		}
		select {
		case <-time.After(try * 20 * time.Millisecond):
		case <-c.lost:
			return
		}
	}
}

const subscribeTries = 5

func (s *session) filters() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := slices.Clone(s.opts.Topics)
	for f := range s.wanted {
		out = append(out, f)
	}
	return out
}

func atQoS1(topics []string) map[string]byte {
	filters := map[string]byte{}
	for _, topic := range topics {
		filters[topic] = 1
	}
	return filters
}

func all(n int, err error) []error {
	errs := make([]error, n)
	for i := range errs {
		errs[i] = err
	}
	return errs
}

// connection is one connection to the broker, from CONNECT to its loss.
type connection struct {
	client  mqtt.Client
	h       handler
	filters func() []string // what is subscribed
	not     []string        // what is so no more
	end     func(error)     // ends the connection; all begins anew
	where   func() string   // names the broker, where there are several
	flights flights
	lost    chan struct{} // closed at the end

	in      *intake
	keeping sync.WaitGroup // the accept that is under way
}

// connect makes one connection and serves it until it is lost; the error says
// why, in words for the operator.
func (s *session) connect(parent context.Context, h handler) error {
	ctx, cancel := context.WithCancelCause(parent)
	defer cancel(nil)
	began := time.Now()
	c := &connection{h: h, filters: s.filters, not: s.opts.Not, end: cancel, where: s.where, lost: make(chan struct{}), in: newIntake()}
	opened := func() bool { return true }
	o := s.options(ctx, c.in, func(conn net.Conn) { opened = context.AfterFunc(ctx, func() { conn.Close() }) })
	o.SetDefaultPublishHandler(c.arrived) // now: a resumed session delivers before we subscribe
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		cancel(s.lost(err, time.Since(began)))
	})
	c.client = mqtt.NewClient(o)

	// Bounded by connectWait for each address and, through AfterFunc, by ctx. Nothing is published
	// before its end: the library might send it twice.
	t := c.client.Connect()
	t.Wait()
	opened()
	if err := t.Error(); err != nil {
		return s.explain(err)
	}
	s.use(c)
	err := c.serve(ctx, parent)
	s.use(nil)
	if parent.Err() == nil {
		h.state(false, err.Error()) // now: the accept may take its time
	}
	c.keeping.Wait()          // what it keeps is confirmed yet, if there is still somebody
	cancel(nil)               // nobody waits for room in the intake any more
	c.client.Disconnect(1000) // returns earlier, when the library's goroutines have ended
	return err
}

func (s *session) use(c *connection) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		close(s.conn.lost)
	}
	s.conn = c
}

// serve subscribes, which is needed each time as the broker may have lost the
// session, and keeps what comes in, one batch at a time. What the session held
// back may arrive before the subscription is confirmed, and more of it than
// there is room for, so both go on at once.
func (c *connection) serve(ctx, parent context.Context) error {
	if len(c.not) > 0 {
		c.client.Unsubscribe(c.not...)
	}
	sub := c.client.SubscribeMultiple(atQoS1(c.filters()), nil)
	confirmed := sub.Done()
	late := time.NewTimer(subscribeWait)
	defer late.Stop()
	kept, end := make(chan error, 1), make(chan struct{})
	defer close(end)
	c.keeping.Go(func() { kept <- c.keepAll(parent, end) })
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-confirmed:
			if sub.Error() != nil { // the connection is lost: ctx says why in a moment, if not late does
				confirmed = nil
				continue
			}
			if err := granted(sub); err != nil {
				return err
			}
			late.Stop()
			confirmed = nil
			c.h.state(true, "connected to the broker"+c.where())
		case <-late.C:
			return fmt.Errorf("the broker did not answer the subscription within %v", subscribeWait)
		case err := <-kept:
			return err
		}
	}
}

// keepAll keeps what comes in, until something cannot be kept or the connection is
// over. An accept that has begun may end although the connection is lost.
func (c *connection) keepAll(parent context.Context, end <-chan struct{}) error {
	for {
		select {
		case <-end:
			return nil
		case <-c.in.some:
			if err := c.keep(parent); err != nil {
				return err
			}
		}
	}
}

// granted reads the SUBACK: the library reports a refused topic as no error.
func granted(t mqtt.Token) error {
	if err := t.Error(); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	sub, ok := t.(*mqtt.SubscribeToken)
	if !ok {
		return fmt.Errorf("subscribe: unexpected token %T", t)
	}
	for topic, qos := range sub.Result() {
		switch {
		case qos >= 0x80: // 0x80 by MQTT 3.1.1; the built-in broker gives the codes of MQTT 5
			return fmt.Errorf("the broker refuses the subscription to %s: give its user the right to read there", topic)
		case qos == 0:
			return fmt.Errorf("the broker grants only QoS 0 on %s, so that nothing could be confirmed: let it grant QoS 1", topic)
		}
	}
	return nil
}

// arrived is called by the library for each publish, in order and one at a time
// (OrderMatters). It only appends, never publishes and never waits, so it cannot
// stop the library's own work, PUBACKs included.
func (c *connection) arrived(_ mqtt.Client, m mqtt.Message) {
	if m.Qos() > 0 && c.in.overflow.Load() {
		return // keep the order: nothing behind the one that found no room
	}
	switch {
	case c.in.add(m):
	case m.Qos() == 0:
		c.h.drop(dropOverflow)
	default:
		c.in.overflow.Store(true)
	}
}

// keep has what waits kept in one go, and confirms it in order.
func (c *connection) keep(ctx context.Context) error {
	batch := c.in.drain()
	if len(batch) == 0 {
		return nil // they came with the last ones
	}
	var in []packet
	for _, m := range batch {
		if c.wanted(m.Topic()) {
			in = append(in, packet{topic: m.Topic(), payload: m.Payload(), retained: m.Retained()})
		} else {
			c.h.drop(dropOtherTopic)
		}
	}
	if err := c.h.take(ctx, in); err != nil {
		return fmt.Errorf("what came in could not be kept, asking the broker for it again: %w", err)
	}
	c.in.kept(batch)
	for _, m := range batch {
		m.Ack()
	}
	if c.in.overflow.Load() && c.in.waiting() == 0 {
		return errOverflow
	}
	return nil
}

// errOverflow is no fault of the connection: all that fitted in has been kept,
// so there is no reason to wait longer each time.
var errOverflow = errors.New("more came in than could be kept, asking the broker for the rest again")

// wanted tells whether we subscribe to a topic: the broker's half of the session
// may still hold a subscription from before the settings were changed.
func (c *connection) wanted(topic string) bool {
	return slices.ContainsFunc(c.filters(), func(filter string) bool { return config.Covers(filter, topic) })
}

func (s *session) options(ctx context.Context, in *intake, opened func(net.Conn)) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().AddBroker(s.opts.URLs[0].String()).
		SetClientID(s.opts.ClientID).SetUsername(s.opts.Username).SetPassword(s.opts.Password).
		SetProtocolVersion(4).SetCleanSession(s.opts.Clean).
		SetAutoAckDisabled(true).SetOrderMatters(true).
		SetAutoReconnect(false).SetConnectRetry(false). // run does that
		SetConnectTimeout(connectWait).SetKeepAlive(keepAlive).SetPingTimeout(10 * time.Second).
		SetWriteTimeout(writeWait)
	if w := s.opts.Will; w != nil {
		o.SetBinaryWill(w.topic, w.payload(), 1, false)
	}
	o.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		conn, err := s.dial(ctx)
		if err != nil {
			return nil, err
		}
		opened(conn)
		return cutting(patientConn{conn}, func() { in.easy(ctx) }), nil
	})
	return o
}

// dial connects to the first address that can be reached, from that of s.at on.
func (s *session) dial(ctx context.Context) (net.Conn, error) {
	var failed []error
	for i := range s.opts.URLs {
		at := (int(s.at.Load()) + i) % len(s.opts.URLs)
		conn, err := s.dialOne(ctx, s.opts.URLs[at])
		if err == nil {
			s.at.Store(int32(at))
			return conn, nil
		}
		failed = append(failed, err)
	}
	s.at.Store(int32(len(s.opts.URLs) - 1)) // all have been tried: the list begins again
	if len(failed) == 1 {
		return nil, failed[0]
	}
	return nil, unreachable(failed)
}

// unreachable says of each address why.
type unreachable []error

func (e unreachable) Error() string {
	var all []string
	for _, err := range e {
		all = append(all, err.Error())
	}
	return strings.Join(all, "; ")
}

func (e unreachable) Unwrap() []error { return e }

// dialOne takes the name on the broker's certificate from the address, where the
// settings name none.
func (s *session) dialOne(ctx context.Context, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectWait)
	defer cancel()
	if u.Scheme == "ssl" {
		return (&tls.Dialer{Config: s.tls()}).DialContext(ctx, "tcp", u.Host)
	}
	return new(net.Dialer).DialContext(ctx, "tcp", u.Host)
}

// tls trusts what lies in CAFile now, or, while that cannot be read, what lay there
// at the start.
func (s *session) tls() *tls.Config {
	if now, err := tlsConfig(s.opts.TLS, s.opts.CAFile); err == nil {
		return now
	}
	return s.opts.TLS
}

// host is the address that was reached last.
func (s *session) host() string { return s.opts.URLs[s.at.Load()].Host }

// where names it in a state, where there are several.
func (s *session) where() string {
	if len(s.opts.URLs) == 1 {
		return ""
	}
	return " at " + s.host()
}

// hosts are all addresses.
func (s *session) hosts() string {
	var all []string
	for _, u := range s.opts.URLs {
		all = append(all, u.Host)
	}
	return strings.Join(all, " or ")
}

// cutOften is how often in turn a broker closes a new connection before that looks
// like somebody else with our client id: of two, each ends the other's (MQTT-3.1.4-2).
const cutOften = 3

// lost says how a connection ended that lasted for so long.
func (s *session) lost(err error, lasted time.Duration) error {
	if lasted > steady || !errors.Is(err, io.EOF) {
		s.cut.Store(0)
	} else if s.cut.Add(1) >= cutOften {
		return fmt.Errorf("the broker closes each connection soon: is there a second gateway with this call sign, or another program with the client id %s? (%w)", s.opts.ClientID, err)
	}
	return fmt.Errorf("connection to the broker lost: %w", err)
}

// explain says in plain words why CONNECT failed. The password is never part of
// such an error: the library does not put it there.
func (s *session) explain(err error) error {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return fmt.Errorf("the broker at %s refuses the user name or password: check _USERNAME and _PASSWORD_FILE", s.host())
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return fmt.Errorf("the broker at %s does not speak MQTT 3.1.1: have it allow that version beside others", s.host())
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("the broker at %s refuses the client id %q: check what ids it allows", s.host(), s.opts.ClientID)
	case errors.Is(err, packets.ErrorNetworkError):
		if both, ok := err.(interface{ Unwrap() []error }); ok && len(both.Unwrap()) == 2 { // the library's words, and what happened
			err = both.Unwrap()[1]
		}
		return fmt.Errorf("no connection to the broker at %s: %w", s.hosts(), err)
	}
	return fmt.Errorf("the broker at %s refuses the connection: %w", s.host(), err)
}

// parseURLs reads the addresses of one broker, or of several separated by commas.
func parseURLs(list string) (all []*url.URL, err error) {
	for item := range strings.SplitSeq(list, ",") {
		u, err := parseURL(strings.TrimSpace(item))
		if err != nil {
			return nil, err
		}
		all = append(all, u)
	}
	return all, nil
}

// parseURL reads a broker's address and adds the usual port.
func parseURL(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, errors.New("not an address: write tcp://host:1883 or ssl://host:8883") // err would show a password in it
	case u.User != nil:
		return nil, errors.New("take the user name and password out, _USERNAME and _PASSWORD_FILE are for them")
	case u.Scheme != "tcp" && u.Scheme != "ssl", u.Hostname() == "", u.Path != "" && u.Path != "/":
		return nil, fmt.Errorf("%q is not of the form tcp://host:port or ssl://host:port", s)
	}
	if u.Port() == "" {
		port := "1883"
		if u.Scheme == "ssl" {
			port = "8883"
		}
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	u.Path = ""
	return u, nil
}

// tlsConfig trusts the certificates in caFile, or without it the system's.
func tlsConfig(base *tls.Config, caFile string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if base != nil {
		c = base.Clone()
	}
	if caFile == "" {
		return c, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read the broker's certificates: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", caFile)
	}
	return c, nil
}

// quietLibrary sends the library's log, which all its clients share, to ours. It
// repeats what State tells, so it is for debugging; its own debug log would show
// payloads and stays off.
var quietLibrary = sync.OnceFunc(func() {
	mqtt.ERROR, mqtt.CRITICAL, mqtt.WARN = libraryLog{}, libraryLog{}, libraryLog{}
})

type libraryLog struct{}

func (libraryLog) Println(v ...any) {
	slog.Debug("mqtt client", "says", strings.TrimSpace(fmt.Sprintln(v...)))
}

func (libraryLog) Printf(format string, v ...any) {
	slog.Debug("mqtt client", "says", strings.TrimSpace(fmt.Sprintf(format, v...)))
}
