package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/adapters/keypair"
	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/presence"
)

// TrunkOptions are the settings of a trunk link. Errors name the setting as its
// variable ends.
type TrunkOptions struct {
	Name string // of the link
	Call string // of the gateway

	BrokerURL    string       // tcp:// or ssl://host:port, several separated by commas, or
	BrokerListen string       // host:port of the built-in broker, or
	Listener     net.Listener // one that listens already; Run closes it
	Wire         Wire         // in the place of a broker; nil: one of these

	Username, Password string
	CAFile             string // certificates that an ssl:// broker is checked against; empty: the system's
	CertFile, KeyFile  string // our own certificate for the broker
	TLS                *tls.Config

	TopicRoot string // empty: posthouse/1
	Key       envelope.Key
	TrustFile string
	// ReceiveOnly publishes nothing, no announcements either, so that only group texts
	// come in.
	ReceiveOnly bool
	TrustAny    bool     // take texts from unlisted gateways, too
	Groups      []string // that cross this link
	Meshes      []string // that this gateway serves

	// Process names this process of a hub; empty: no hub. All of them send, and with
	// _BROKER_URL each receives its part of the inbox. One that Helps leaves to another
	// what is for groups and for all gateways of a mesh, and the announcements.
	Process string
	Helps   bool

	AckWait time.Duration // first wait for a custody receipt; 0: 30 s
	Wall    func() (now time.Time, trusted bool)
	Log     *slog.Logger // nil: slog.Default
}

// The wait for a custody receipt is doubled up to custodyLimit; after custodyTries the
// message takes another way.
const (
	custodyLimit = 10 * time.Minute
	custodyTries = 20
	// heardEvery is how often we announce again that we hear a station.
	heardEvery = 10 * time.Minute
	// scatter spreads what all gateways do at once when a broker comes back.
	scatter = time.Minute
)

// Trunk is a link to far gateways, through an MQTT broker that anybody may read.
type Trunk struct {
	opts    TrunkOptions
	log     *slog.Logger
	session *session
	wire    trunkWire    // the session, or TrunkOptions.Wire
	server  *trunkServer // nil with _BROKER_URL
	trust   trust
	numbers *sequence
	notes   notes
	inboxes []*session // of a hub, one for each part; nil: the inbox comes by session

	hushed atomic.Bool // quiet: announce nothing

	mu       sync.Mutex
	says     []presence.Say
	spoke    spokens
	told     map[string]toldPlace // by station
	heard    map[string]link.FarHearing
	sought   []string
	meshes   []string
	gateways []string
	all      bool
	receipts map[string]time.Time // event id and gateway -> its last custody receipt
	changed  chan struct{}        // has a value when there is something to publish
	custody  chan answer
	places   map[string]uint64 // heard topic -> highest number; of sought stations only
}

// toldPlace is what far gateways were last told about a station: where, and when.
type toldPlace struct {
	mesh string
	at   time.Time
}

var _ link.Trunk = (*Trunk)(nil)

// NewTrunk checks the settings. With the built-in broker it listens at once.
func NewTrunk(o TrunkOptions) (*Trunk, error) {
	if o.TopicRoot == "" {
		o.TopicRoot = "posthouse/1"
	}
	if o.AckWait == 0 {
		o.AckWait = 30 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Wall == nil {
		o.Wall = func() (time.Time, bool) { return time.Now(), true }
	}
	t := &Trunk{
		opts: o, log: o.Log.With("link", o.Name), notes: notes{log: o.Log.With("link", o.Name)},
		told: map[string]toldPlace{}, heard: map[string]link.FarHearing{}, receipts: map[string]time.Time{}, places: map[string]uint64{},
		changed: make(chan struct{}, 1), custody: make(chan answer, 256),
	}
	if err := t.prepare(); err != nil {
		return nil, fmt.Errorf("trunk link %s: %w", o.Name, err)
	}
	return t, nil
}

func (t *Trunk) prepare() error {
	o := &t.opts
	c, err := callsign.Parse(o.Call)
	if err != nil {
		return fmt.Errorf("the gateway's call sign %q: %w", o.Call, err)
	}
	o.Call = c.String()
	if o.Key.IsZero() && !o.ReceiveOnly {
		return errors.New("_SIGNING_KEY_FILE: there is no key; make one with 'posthouse key'")
	}
	t.trust.path, t.trust.any, t.trust.log = o.TrustFile, o.TrustAny, t.log
	if err := t.trust.load(); err != nil {
		return fmt.Errorf("_TRUST_FILE: %w", err)
	}
	topics, err := t.topics()
	if err != nil {
		return err
	}
	t.numbers = newSequence(o.Process != "")
	urls, err := t.brokers()
	if err != nil {
		return err
	}
	config, err := t.tls()
	if err != nil {
		return err
	}
	so := sessionOptions{URLs: urls, TLS: config, CAFile: o.CAFile, Username: o.Username, Password: o.Password, ClientID: "posthouse-" + o.Call + "-" + o.Name}
	if t.isSpread() {
		inbox, err := envelope.Inbox(o.Call).Under(o.TopicRoot)
		if err != nil {
			return err
		}
		t.inboxes, so.Not = t.partSessions(so, inbox), []string{inbox} // a subscription from before there was a hub
	}
	so.Topics, so.Will = topics, t.will()
	if o.Helps {
		so.ClientID += "-" + o.Process
		so.Clean, so.Will = true, nil // the broker need keep nothing for it
	}
	t.session = newSession(so)
	t.wire = t.session
	if o.Wire != nil {
		t.wire = ownWire{o.Wire, topics}
	}
	return nil
}

// topics are what this gateway always subscribes to.
func (t *Trunk) topics() ([]string, error) {
	all := []envelope.Topic{envelope.PresenceAt("-", t.opts.Call)} // there must be at least one
	if !t.opts.Helps {
		all = all[:0]
		if !t.isSpread() {
			all = append(all, envelope.Inbox(t.opts.Call))
		}
		for _, g := range t.opts.Groups {
			all = append(all, envelope.Group(g))
		}
		for _, mesh := range t.opts.Meshes {
			all = append(all, envelope.TakenAt(mesh))
		}
	}
	var out []string
	for _, mesh := range t.opts.Meshes {
		f, err := envelope.PresenceOf(t.opts.TopicRoot, mesh)
		if err != nil {
			return nil, fmt.Errorf("_MESH %q: %w", mesh, err)
		}
		out = append(out, f)
	}
	for _, topic := range all {
		s, err := topic.Under(t.opts.TopicRoot)
		if err != nil {
			return nil, fmt.Errorf("_TOPIC_ROOT, _GROUPS or _MESH: %w", err)
		}
		out = append(out, s)
	}
	return out, nil
}

// brokers returns the addresses of the broker; the built-in one listens from now on.
func (t *Trunk) brokers() ([]*url.URL, error) {
	o := t.opts
	if o.Wire != nil {
		return nil, nil
	}
	if o.BrokerURL != "" {
		all, err := parseURLs(o.BrokerURL)
		if err != nil {
			return nil, fmt.Errorf("_BROKER_URL: %w", err)
		}
		return all, nil
	}
	l := o.Listener
	if l == nil {
		if o.BrokerListen == "" {
			return nil, errors.New("set either _BROKER_URL or _BROKER_LISTEN")
		}
		var err error
		if l, err = net.Listen("tcp", o.BrokerListen); err != nil {
			return nil, fmt.Errorf("_BROKER_LISTEN: %w", err)
		}
	}
	t.server = &trunkServer{root: o.TopicRoot, username: o.Username, password: o.Password, listen: l, log: t.log}
	return []*url.URL{{Scheme: "tcp", Host: reachable(l.Addr().String())}}, nil
}

// reachable turns an address to listen on into one to connect to.
func reachable(address string) string {
	host, port, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return address
}

func (t *Trunk) tls() (*tls.Config, error) {
	config, err := tlsConfig(t.opts.TLS, t.opts.CAFile)
	if err != nil {
		return nil, fmt.Errorf("_CA_FILE: %w", err)
	}
	if t.opts.CertFile == "" {
		return config, nil
	}
	files, err := keypair.Read(t.opts.CertFile, t.opts.KeyFile, t.log)
	if err != nil {
		return nil, fmt.Errorf("_CERT_FILE, _KEY_FILE: %w", err)
	}
	config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return files.Now(), nil }
	return config, nil
}

// Addr is where the built-in broker listens; nil with _BROKER_URL.
func (t *Trunk) Addr() net.Addr {
	if t.server == nil {
		return nil
	}
	return t.server.listen.Addr()
}

// Properties implements link.Link.
func (t *Trunk) Properties() link.Properties {
	return link.Properties{
		Acks: true, AckWait: t.opts.AckWait, AckLimit: custodyLimit, Resends: custodyTries - 1,
		Batch: 64, Parallel: 1, InOrder: true, Positions: len(t.opts.Groups) > 0,
	}
}

// Run implements link.Link.
func (t *Trunk) Run(ctx context.Context, host link.Host) error {
	th, ok := host.(link.TrunkHost)
	if !ok {
		return errors.New("this host serves no trunk")
	}
	t.numbers.begin(th)
	in := newReceiver(t, th)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var work sync.WaitGroup
	if t.server != nil {
		work.Go(func() {
			if err := t.server.run(ctx); ctx.Err() == nil {
				cancel(fmt.Errorf("the built-in broker: %w", err))
			}
		})
	}
	if !t.opts.ReceiveOnly {
		work.Go(func() { t.giveCustody(ctx) })
	}
	if !t.opts.ReceiveOnly && !t.opts.Helps {
		work.Go(func() { t.publishStates(ctx) })
	}
	for n := range t.inboxes {
		work.Go(func() { t.takePart(ctx, th, n) })
	}
	work.Go(func() { t.trust.watch(ctx, th) })
	err := t.wire.run(ctx, handler{
		take:  in.take,
		state: func(up bool, why string) { th.State(up, why); t.connected(up) },
		drop:  func(why dropped) { th.Count(string(why)) },
	})
	cancel(err)
	work.Wait()
	return context.Cause(ctx)
}

// Hush implements link.Trunk.
func (t *Trunk) Hush(quiet bool) {
	if t.hushed.Swap(quiet) && !quiet {
		t.wake()
	}
}

// Seek implements link.Trunk.
func (t *Trunk) Seek(calls []string) {
	t.mu.Lock()
	same := slices.Equal(t.sought, calls)
	t.sought = slices.Clone(calls)
	t.mu.Unlock()
	if !same {
		t.subscribe()
	}
}

// Follow implements link.Trunk.
func (t *Trunk) Follow(meshes, gateways []string, all bool) {
	t.mu.Lock()
	same := slices.Equal(t.meshes, meshes) && slices.Equal(t.gateways, gateways) && t.all == all
	t.meshes, t.gateways, t.all = slices.Clone(meshes), slices.Clone(gateways), all
	t.mu.Unlock()
	if !same {
		t.subscribe()
	}
}

// subscribe sets the session's filters to what is sought and followed.
func (t *Trunk) subscribe() {
	t.mu.Lock()
	defer t.mu.Unlock()
	var filters []string
	root := t.opts.TopicRoot
	if t.all {
		filters = append(filters, envelope.EveryPresence(root))
	}
	for _, mesh := range t.meshes {
		if f, err := envelope.PresenceOf(root, mesh); err == nil && !t.all {
			filters = append(filters, f)
		}
	}
	for _, call := range t.gateways {
		if f, err := envelope.PresenceBy(root, call); err == nil && !t.all {
			filters = append(filters, f)
		}
	}
	for _, call := range t.sought {
		for _, form := range forms(call) {
			if f, err := envelope.HeardOf(root, form); err == nil {
				filters = append(filters, f)
			}
		}
	}
	t.wire.want(filters)
}

// usualMarks are the usual suffixes: portable, mobile, maritime mobile, aeronautical
// mobile (custom, not in RR article 19).
var usualMarks = []string{"P", "M", "MM", "AM"}

// forms lists the forms of a call sign in which a sought station may be heard: MQTT has no
// wildcard within a topic level.
func forms(call string) []string {
	if strings.Contains(call, "/") {
		return []string{call}
	}
	var out []string
	for ssid := range 16 {
		out = append(out, callsign.Call{Base: call, SSID: ssid}.String())
	}
	for _, mark := range usualMarks {
		out = append(out, callsign.Call{Base: call, After: mark}.String())
	}
	return out
}
