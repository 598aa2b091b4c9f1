package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"regexp"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
)

// MeshOptions are the settings of a mesh link. Errors name the setting as its
// variable ends.
type MeshOptions struct {
	Name string // of the link
	Call string // of the gateway

	BrokerURL    string       // tcp:// or ssl://host:port, or
	BrokerListen string       // host:port of the built-in broker, or
	Listener     net.Listener // one that listens already; Run closes it

	Username, Password string      // ours at the broker; with the built-in one, those it asks for
	CAFile             string      // certificates that an ssl:// broker is checked against; empty: the system's
	TLS                *tls.Config // base for ssl://; nil: TLS 1.2 and above

	FromTopic, ToTopic string            // empty: <name>/from and <name>/to; FromTopic may have wildcards
	Fields             Fields            // zero: DefaultFields
	ToTemplate         string            // see Outgoing; empty: the default shape
	Stations           map[string]string // node id -> call sign; a number stands in its digits

	MaxBytes int           // bytes of text in one frame; 0: 140
	MaxParts int           // frames of one text; 0: 4
	ASCII    bool          // the mesh shows printable ASCII only
	AckWait  time.Duration // first wait for a station's acknowledgement; 0: 90 s
	Resends  int           // how often an unacknowledged text is sent again

	Log *slog.Logger // nil: slog.Default
}

// Mesh is a local radio mesh behind an MQTT broker.
type Mesh struct {
	opts      MeshOptions
	codec     codec
	transport transport
	listener  net.Listener // of the built-in broker; nil with _BROKER_URL
	notes     notes
}

var _ link.Link = (*Mesh)(nil)

// NewMesh checks the settings. With the built-in broker it listens at once, so
// that Addr is known and a port in use is found early; Run ends that.
func NewMesh(o MeshOptions) (*Mesh, error) {
	o.setDefaults()
	m := &Mesh{opts: o, notes: notes{log: o.Log.With("link", o.Name)}}
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("mesh link %s: %w", o.Name, err)
	}
	var err error
	if m.codec, err = newCodec(o); err != nil {
		return nil, fmt.Errorf("mesh link %s: %w", o.Name, err)
	}
	if m.transport, err = m.newTransport(); err != nil {
		return nil, fmt.Errorf("mesh link %s: %w", o.Name, err)
	}
	return m, nil
}

func (o *MeshOptions) setDefaults() {
	if o.FromTopic == "" {
		o.FromTopic = o.Name + "/from"
	}
	if o.ToTopic == "" {
		o.ToTopic = o.Name + "/to"
	}
	if o.Fields == (Fields{}) {
		o.Fields = DefaultFields()
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = 140
	}
	if o.MaxParts == 0 {
		o.MaxParts = 4
	}
	if o.AckWait == 0 {
		o.AckWait = 90 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
}

func (o *MeshOptions) check() error {
	ways := 0
	for _, set := range []bool{o.BrokerURL != "", o.BrokerListen != "", o.Listener != nil} {
		if set {
			ways++
		}
	}
	switch {
	case ways != 1:
		return errors.New("set either _BROKER_URL or _BROKER_LISTEN")
	case o.MaxBytes < 1, o.MaxBytes > MaxPayload/2, o.MaxParts < 1, o.AckWait < 0, o.Resends < 0:
		return fmt.Errorf("_MAX_BYTES must be 1 to %d, _MAX_PARTS at least 1, _ACK_WAIT and _RESENDS not negative", MaxPayload/2)
	}
	if _, err := callsign.Parse(o.Call); err != nil {
		return fmt.Errorf("the gateway's call sign %q: %w", o.Call, err)
	}
	if err := checkTopic(o.FromTopic, true); err != nil {
		return fmt.Errorf("_FROM_TOPIC: %w", err)
	}
	if err := checkTopic(o.ToTopic, false); err != nil {
		return fmt.Errorf("_TO_TOPIC: %w", err)
	}
	if config.Covers(o.FromTopic, o.ToTopic) {
		return fmt.Errorf("_FROM_TOPIC %s covers _TO_TOPIC %s, so the gateway would hear itself: use two topics", o.FromTopic, o.ToTopic)
	}
	return nil
}

// nodeID allows only characters that are harmless in any template.
var nodeID = regexp.MustCompile(`^[0-9A-Za-z!_.:-]{1,64}$`)

func newCodec(o MeshOptions) (codec, error) {
	c := codec{name: o.Name, call: canonical(o.Call), stations: o.Stations, nodes: map[string]string{}}
	var err error
	if c.at, err = o.Fields.compile(); err != nil {
		return codec{}, err
	}
	if c.template, c.isJSON, err = readTemplate(o.ToTemplate); err != nil {
		return codec{}, err
	}
	for node := range o.Stations {
		if !nodeID.MatchString(node) {
			return codec{}, fmt.Errorf("_STATIONS_FILE: node id %q: use up to 64 of letters, digits, ! _ . : -", node)
		}
	}
	// Of two nodes with one call sign always take the same.
	for _, node := range slices.Backward(slices.Sorted(maps.Keys(o.Stations))) {
		c.nodes[canonical(o.Stations[node])] = node
	}
	return c, nil
}

func (m *Mesh) newTransport() (transport, error) {
	o := m.opts
	if o.BrokerURL != "" {
		u, err := parseURL(o.BrokerURL)
		if err != nil {
			return nil, fmt.Errorf("_BROKER_URL: %w", err)
		}
		config, err := tlsConfig(o.TLS, o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("_CA_FILE: %w", err)
		}
		return newSession(sessionOptions{
			URLs: []*url.URL{u}, TLS: config, CAFile: o.CAFile, Username: o.Username, Password: o.Password,
			ClientID: "posthouse-" + m.codec.call + "-" + o.Name, Topics: []string{o.FromTopic},
		}), nil
	}
	m.listener = o.Listener
	if m.listener == nil {
		l, err := net.Listen("tcp", o.BrokerListen)
		if err != nil {
			return nil, fmt.Errorf("_BROKER_LISTEN: %w", err)
		}
		m.listener = l
	}
	return newServer(m.listener, serverOptions{
		Username: o.Username, Password: o.Password, ToTopic: o.ToTopic, Log: m.notes.log,
		MayPublish:   func(topic string) bool { return config.Covers(o.FromTopic, topic) },
		MaySubscribe: func(filter string) bool { return filter == o.ToTopic },
	}), nil
}

// Addr is where the built-in broker listens; nil with _BROKER_URL.
func (m *Mesh) Addr() net.Addr {
	if m.listener == nil {
		return nil
	}
	return m.listener.Addr()
}

// Properties implements link.Link.
func (m *Mesh) Properties() link.Properties {
	return link.Properties{
		Medium: fit.Medium{MaxBytes: m.opts.MaxBytes, MaxParts: m.opts.MaxParts, ASCII: m.opts.ASCII},
		Acks:   true, AckWait: m.opts.AckWait, Resends: m.opts.Resends,
		Batch: 64, Parallel: 1, InOrder: true,
		Radio: true,
	}
}

// Run implements link.Link.
func (m *Mesh) Run(ctx context.Context, host link.Host) error {
	drop := func(why dropped) {
		host.Count(string(why))
		m.notes.dropped(why)
	}
	return m.transport.run(ctx, handler{
		state: host.State,
		drop:  drop,
		take: func(ctx context.Context, in []packet) error {
			messages, bad := m.codec.decodeAll(in)
			if len(messages) > 0 {
				if _, err := host.Accept(ctx, messages...); err != nil {
					return err
				}
			}
			for _, why := range bad { // only now: after an error they come again
				drop(why)
			}
			return nil
		},
	})
}

// Send implements link.Link.
func (m *Mesh) Send(ctx context.Context, frames []link.Frame) []error {
	errs := make([]error, len(frames))
	var out []packet
	var which []int
	for i, f := range frames {
		p, err := m.encode(f)
		if err != nil {
			errs[i] = err
			continue
		}
		out, which = append(out, packet{topic: m.opts.ToTopic, payload: p}), append(which, i)
	}
	if len(out) == 0 {
		return errs
	}
	for j, err := range m.transport.publish(ctx, out) {
		errs[which[j]] = err
	}
	return errs
}

// encode refuses what the bridge has not fitted to the medium: cut or changed here, a text
// would say something else.
func (m *Mesh) encode(f link.Frame) ([]byte, error) {
	if len(f.Text) > m.opts.MaxBytes {
		return nil, link.Permanent(link.CodeTooLong, fmt.Errorf("a frame of %d bytes, the mesh takes %d", len(f.Text), m.opts.MaxBytes))
	}
	for _, r := range f.Text {
		if m.opts.ASCII && (r < ' ' || r > '~') {
			return nil, link.Permanent(link.CodeNotText, fmt.Errorf("the mesh cannot show %q", r))
		}
	}
	return m.codec.encode(f)
}

// Dropped packets of one kind are logged again after the first wait, which doubles up to
// the last while they go on. After a pause of that length they are news again.
const firstNote, lastNote = time.Minute, time.Hour

// notes logs dropped packets now and then: a misconfigured node sends them every few
// seconds, for years.
type notes struct {
	log *slog.Logger

	mu    sync.Mutex
	kinds map[dropped]*note
}

// note is what is known of one kind.
type note struct {
	latest, logged time.Time
	wait           time.Duration // from logged to the next line
	packets        int           // since logged
}

func (n *notes) dropped(why dropped) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.kinds == nil {
		n.kinds = map[dropped]*note{}
	}
	d, now := n.kinds[why], time.Now()
	if d == nil {
		d = &note{}
		n.kinds[why] = d
	}
	if now.Sub(d.latest) >= lastNote {
		d.wait = 0
	}
	d.latest = now
	d.packets++
	if now.Sub(d.logged) < d.wait {
		return
	}
	n.log.Warn("dropped packets that came in", "why", string(why), "packets", d.packets)
	d.logged, d.packets = now, 0
	d.wait = min(max(2*d.wait, firstNote), lastNote)
}
