package aprsis

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/adapters/reach"
	"posthouse/bridge/callsign"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const (
	dialTimeout  = 15 * time.Second
	loginTimeout = 30 * time.Second // until the server answers the login
	silence      = 90 * time.Second // servers say something every 20 s: this long means dead
	writeTimeout = 10 * time.Second
	followEvery  = 10 * time.Second // how often the filter follows the bridge

	firstDelay = 5 * time.Second // before connecting again; doubled
	lastDelay  = 5 * time.Minute
	steady     = time.Minute // a connection that lasted this long starts the delays anew

	// So many early closes in a row suggest two programs with one call sign: servers end
	// the older login for the newer one.
	closedOften = 3

	window = 256 // lines read ahead of Accept; then the server has to wait
	batch  = 64  // messages in one Accept

	maxRemembered = 2000 // stations, ids
)

// Options are the settings of one link. Server and Call are required.
type Options struct {
	Name      string        // the link's name
	Server    string        // host:port
	Call      string        // the gateway's call sign with SSID
	Passcode  string        // belongs to Call; empty, "none" or "-1": receive only
	Filter    string        // server-side filter terms that the operator adds
	Version   string        // of the program, for the login
	AckWait   time.Duration // default 15 s
	Resends   int           // 0: the default, 7; negative: none
	MaxParts  int           // frames of one text, default 3
	Positions bool          // gate the positions of stations heard by radio
	Reconnect time.Duration // first wait before connecting again, default 5 s

	Dial func(ctx context.Context, network, address string) (net.Conn, error) // default: reach.Dial
	Log  *slog.Logger                                                         // default: slog.Default
}

// Adapter is a link to APRS-IS. Make it with New.
type Adapter struct {
	opt       Options
	passcode  string
	bulletins atomic.Uint32 // counts group texts, for their digit

	online  recent[struct{}] // stations that are on the network themselves
	ours    recent[struct{}] // stations that we sent something for
	fullIDs recent[string]   // reply-ack ids as written, by from, to and id: an ack repeats them
	sought  atomic.Pointer[map[string]bool]

	mu      sync.Mutex
	session *session // nil: not connected, or the login is not answered
	denied  error    // the login was answered and does not allow sending
}

var _ link.Link = (*Adapter)(nil)

// New checks the settings and makes a link. It opens nothing.
func New(opt Options) (*Adapter, error) {
	opt.Name = cmp.Or(opt.Name, "aprs")
	c, err := callsign.Parse(opt.Call)
	switch {
	case err != nil:
		return nil, fmt.Errorf("link %s: call sign %q: %w", opt.Name, opt.Call, err)
	case !c.AX25():
		return nil, fmt.Errorf("link %s: call sign %s does not fit into an AX.25 address: six letters and digits and an SSID at most", opt.Name, opt.Call)
	case c.Base == callsign.Placeholder:
		return nil, fmt.Errorf("link %s: call sign %s is a placeholder: set your own", opt.Name, opt.Call)
	}
	opt.Call = c.String()
	passcode, err := checkPasscode(opt.Call, opt.Passcode)
	if err != nil {
		return nil, fmt.Errorf("link %s: %w", opt.Name, err)
	}
	if _, _, err := net.SplitHostPort(opt.Server); err != nil {
		return nil, fmt.Errorf("link %s: server %q is not host:port: %w", opt.Name, opt.Server, err)
	}
	opt.Filter = strings.Join(strings.Fields(opt.Filter), " ")
	if len(opt.Filter) > maxFilter/2 || !printable(opt.Filter) {
		return nil, fmt.Errorf("link %s: the filter has to be printable ASCII of at most %d characters", opt.Name, maxFilter/2)
	}
	opt.fillIn()
	return &Adapter{
		opt: opt, passcode: passcode,
		online:  recent[struct{}]{keep: heardFor, limit: maxRemembered},
		ours:    recent[struct{}]{keep: 24 * time.Hour, limit: maxRemembered},
		fullIDs: recent[string]{keep: 24 * time.Hour, limit: maxRemembered},
	}, nil
}

func (o *Options) fillIn() {
	o.Version = strings.Join(strings.Fields(cmp.Or(o.Version, "dev")), "-")
	o.AckWait = cmp.Or(o.AckWait, 15*time.Second)
	o.Resends = max(0, cmp.Or(o.Resends, 7))
	o.MaxParts = cmp.Or(o.MaxParts, 3)
	o.Reconnect = cmp.Or(o.Reconnect, firstDelay)
	if o.Dial == nil {
		o.Dial = reach.Dial
	}
	o.Log = cmp.Or(o.Log, slog.Default()).With("link", o.Name)
}

// Properties implements link.Link.
func (a *Adapter) Properties() link.Properties {
	return link.Properties{
		Medium: fit.Medium{
			MaxBytes: MaxText,
			MaxParts: a.opt.MaxParts,
			ASCII:    true,
			Replace:  map[rune]string{'{': "(", '|': "/", '~': "-"},
		},
		Acks:            true,
		AckWait:         a.opt.AckWait,
		Resends:         a.opt.Resends,
		OnePerAddressee: true,
		Batch:           1,
		Parallel:        1,
		Positions:       a.opt.Positions,
	}
}

// Run implements link.Link. It returns ctx's error.
func (a *Adapter) Run(ctx context.Context, host link.Host) error {
	host.State(false, "connecting to "+a.opt.Server)
	closed := 0 // connections in a row that the server closed early
	for tries := 0; ; tries++ {
		began := time.Now()
		err := a.connect(ctx, host)
		if ctx.Err() != nil {
			host.State(false, "stopped")
			return ctx.Err()
		}
		held := time.Since(began) >= steady
		if held {
			tries = 0
		}
		if closed++; held || !errors.Is(err, errClosed) {
			closed = 0
		}
		if closed >= closedOften {
			err = fmt.Errorf("%w soon after each login: is another program logged in there as %s?", err, a.opt.Call)
		}
		wait := delay(a.opt.Reconnect, tries)
		host.State(false, fmt.Sprintf("%v; next try in %v", err, wait.Round(time.Second)))
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
}

// delay doubles from first to lastDelay, and adds up to a half at random: gateways that
// lost a server must not come back all at once.
func delay(first time.Duration, tries int) time.Duration {
	d := min(first<<min(tries, 16), lastDelay)
	return min(d+rand.N(d/2+1), lastDelay)
}

// Send implements link.Link.
func (a *Adapter) Send(ctx context.Context, frames []link.Frame) []error {
	results := make([]error, len(frames))
	for i, f := range frames {
		results[i] = a.send(ctx, f)
	}
	return results
}

func (a *Adapter) send(ctx context.Context, f link.Frame) error {
	if a.passcode == ReceiveOnly {
		return link.Permanent(link.CodeNotAllowed, fmt.Errorf("link %s only receives: it has no passcode", a.opt.Name))
	}
	m := &f.Message
	if full, ok := a.fullIDs.get(idKey(m.To, m.From, m.Acks)); ok && m.Kind == message.Receipt {
		m.Acks = full
	}
	p, err := Encode(f, a.opt.Call, int(a.bulletins.Load()%10))
	if err != nil {
		return err
	}
	s, err := a.ready()
	if err != nil {
		return err
	}
	if err := s.write(ctx, p.String()); err != nil {
		return err
	}
	a.sent(p)
	return nil
}

// sent notes what has to be remembered about a frame that was sent.
func (a *Adapter) sent(p Packet) {
	a.ours.put(p.Source, struct{}{})
	if t, err := ParseText(p.Info); err == nil {
		if _, ok := ParseBulletin(t.To); ok {
			a.bulletins.Add(1)
		}
	}
}

// ready returns the connection, if frames may be sent on it.
func (a *Adapter) ready() (*session, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.session == nil:
		return nil, link.ErrDown
	case a.denied != nil:
		// Another server, or this one after a restart, may think otherwise.
		return nil, link.RetryAfter(time.Minute, a.denied)
	}
	return a.session, nil
}

// knowledge answers the questions of the gating rules about stations.
func (a *Adapter) knowledge(host link.Host) knowledge {
	return knowledge{
		own:       a.opt.Call,
		byRadio:   func(call string) bool { return byRadio(host, call, heardFor) },
		online:    a.online.has,
		sawOnline: func(call string) { a.online.put(call, struct{}{}) },
		ours: func(call string) bool {
			return a.ours.has(call) || byRadio(host, call, 24*time.Hour)
		},
		asked: a.asked,
		now:   time.Now,
	}
}

func byRadio(host link.Host, call string, within time.Duration) bool {
	for _, h := range host.Heard(call) {
		if h.Radio && h.Ago < within {
			return true
		}
	}
	return false
}

// asked tells whether reports of a station are wanted: somebody waits for it,
// or the operator's own filter brought it.
func (a *Adapter) asked(call string) bool {
	sought := a.sought.Load()
	return a.opt.Filter != "" || sought != nil && (*sought)[callsign.Base(call)]
}

func idKey(from, to, id string) string { return from + " " + to + " " + id }

func printable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' })
}

var (
	errUnanswered = errors.New("the server did not answer the login")
	errTurnedAway = errors.New("the server closed the connection before it answered the login")
	errClosed     = errors.New("the server closed the connection")
)
