package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/url"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"posthouse/bridge/link"
)

const (
	connectWait   = 15 * time.Second
	subscribeWait = 10 * time.Second
	keepAlive     = 30 * time.Second
	firstWait     = 250 * time.Millisecond // before the first reconnect, then doubled
	longestWait   = 30 * time.Second
	steady        = time.Minute // a connection that lasted this long resets the waits
)

// sessionOptions say how to reach a broker, and what to subscribe to.
type sessionOptions struct {
	URLs               []*url.URL // tcp or ssl, with a port; tried in this order
	TLS                *tls.Config
	CAFile             string // read again at each connect, since the broker's may be renewed; empty: as TLS says
	ClientID           string // fixed: the broker keeps the session under it
	Username, Password string
	Topics             []string // filters, each at QoS 1
	Not                []string // old filters that the broker may still have in this session
	Clean              bool     // the broker forgets the session with the connection
	Will               *will    // what the broker says for us when we vanish; nil: nothing
}

// will is a last will (MQTT 3.1.1 section 3.1.2.5).
type will struct {
	topic   string
	payload func() []byte // asked at each connect
}

// session is a persistent MQTT session at an external broker. Each connection is a new
// client of the library with the same client id: the broker's half of the session goes on
// (it delivers what it has kept), ours begins anew each time, since the queue sends again
// what was not confirmed.
type session struct {
	opts sessionOptions
	at   atomic.Int32 // which of opts.URLs was reached last; atomic: the library dials in its own goroutine
	left time.Time    // when the last connection ended; zero: there was none
	cut  atomic.Int32 // how often in a row the broker closed a new connection

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
		// Jitter, so that gateways that lost a broker do not come back all at once.
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

// turn chooses the address that is dialled first the next time: the next one after a
// broker that refused us or closed the connection soon, the same one if it has more for us
// (held). Otherwise the list begins again, so that gateways with the same list meet.
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
	errs := c.flights.send(ctx, c.lost, out, c.offer)
	if len(c.flights.owing()) > 0 {
		c.end(errOwing)
	}
	return errs
}

func all(n int, err error) []error {
	errs := make([]error, n)
	for i := range errs {
		errs[i] = err
	}
	return errs
}

// cutOften is how often in a row a broker closes a new connection before we suspect another
// client with our client id: each of the two ends the other's connection (MQTT-3.1.4-2).
const cutOften = 3

// lost explains the end of a connection that lasted so long.
func (s *session) lost(err error, lasted time.Duration) error {
	if lasted > steady || !errors.Is(err, io.EOF) && !errors.Is(err, syscall.ECONNRESET) {
		s.cut.Store(0)
	} else if s.cut.Add(1) >= cutOften {
		return fmt.Errorf("the broker closes each connection soon: does a second gateway use this call sign, or another program the client id %s? (%w)", s.opts.ClientID, err)
	}
	return fmt.Errorf("connection to the broker lost: %w", err)
}

// forgotten says that the broker has not kept our session, and so what was published for us
// meanwhile; empty where it has, or could not have.
func (s *session) forgotten(t mqtt.Token) string {
	c, ok := t.(*mqtt.ConnectToken)
	if !ok || c.SessionPresent() || s.left.IsZero() || s.opts.Clean || len(s.opts.URLs) > 1 {
		return ""
	}
	return fmt.Sprintf("; it has forgotten our session, and what came there in the last %v: have it keep sessions on disk", time.Since(s.left).Round(time.Second))
}

// explain says in plain words why CONNECT failed. The library never puts the password into
// such an error.
func (s *session) explain(err error) error {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		if s.opts.Username == "" {
			return fmt.Errorf("the broker at %s does not let us in without a user name: set _USERNAME and _PASSWORD_FILE", s.host())
		}
		return fmt.Errorf("the broker at %s refuses the user name or password: check _USERNAME and _PASSWORD_FILE", s.host())
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return fmt.Errorf("the broker at %s does not speak MQTT 3.1.1: have it allow that version beside others", s.host())
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		return fmt.Errorf("the broker at %s says that it is not available", s.host())
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
