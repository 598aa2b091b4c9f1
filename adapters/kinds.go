// Package adapters lists the kinds of links that there are. Adding one is a
// folder beside this file and a line in kinds.
package adapters

import (
	"context"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net/netip"
	"os"
	"strings"
	"time"

	"posthouse/adapters/aprsis"
	"posthouse/adapters/broker"
	"posthouse/adapters/broker/envelope"
	"posthouse/adapters/keypair"
	"posthouse/adapters/mail"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

// Needs are what adapters need beside their own settings.
type Needs struct {
	Call         string // the gateway's call sign
	Version      string // of the program
	Log          *slog.Logger
	BounceKey    []byte                                            // signs bounce addresses
	MayAnswer    func(l config.Link, address, station string) bool // a station wrote to a mail address lately
	Named        func(name string) bool                            // a group or an alias
	ClockTrusted func() bool
	Wall         func() (now time.Time, trusted bool)
	Meshes       []string       // names of the meshes that this gateway serves
	RootCAs      *x509.CertPool // nil: the system's

	// Process names this one of the processes of a hub; empty: there is but one. One
	// that Helps does not run what may exist once only, and makes it only to know what
	// it is like.
	Process string
	Helps   bool
}

// kinds makes a link of each kind.
var kinds = map[string]func(config.Link, Needs) (link.Link, error){
	config.KindMesh:  newMesh,
	config.KindAPRS:  newAPRS,
	config.KindMail:  newMail,
	config.KindTrunk: newTrunk,
}

// New makes the adapter of a link. It opens nothing but a built-in broker's
// port.
func New(l config.Link, n Needs) (link.Link, error) {
	make, ok := kinds[l.Kind]
	if !ok {
		return nil, fmt.Errorf("link %s: this program has no kind %q", l.Name, l.Kind)
	}
	return make(l, n)
}

// Away tells whoever comes by a port of a link to come later, until ctx ends: in the
// place of a link that does not run since nothing can be stored. A built-in broker is
// not there meanwhile.
func Away(ctx context.Context, l config.Link) error {
	if l.Mail == nil || l.Mail.Listen == "" {
		return nil
	}
	return mail.Away(ctx, l.Mail.Listen, l.Mail.Domain)
}

// Hooks are the checks of settings that need to know a protocol.
func Hooks() config.Hooks {
	return config.Hooks{
		CheckTemplate: broker.CheckTemplate, CheckPasscode: aprsis.CheckPasscode,
		CheckSigningKey: func(file []byte) error { _, err := envelope.ParseKey(file); return err },
		CheckTrust:      func(file []byte) error { _, err := envelope.ParseTrust(file); return err },
	}
}

func newMesh(l config.Link, n Needs) (link.Link, error) {
	m := l.Mesh
	o := broker.MeshOptions{
		Name: l.Name, Call: n.Call, BrokerURL: m.BrokerURL, BrokerListen: m.BrokerListen,
		Username: m.Username, Password: m.Password.Reveal(),
		FromTopic: m.FromTopic, ToTopic: m.ToTopic, ToTemplate: m.ToTemplate,
		Fields:   fields(m),
		MaxBytes: m.MaxBytes, MaxParts: m.MaxParts, ASCII: m.Charset == "ascii",
		AckWait: m.AckWait, Resends: m.Resends, Log: n.Log, Stations: map[string]string{},
	}
	if n.Helps && o.BrokerListen != "" {
		o.BrokerURL, o.BrokerListen = "tcp://localhost", "" // nothing listens, and nobody connects
	}
	for _, s := range m.Stations {
		if s.Call != "" {
			o.Stations[s.Node] = s.Call
		}
	}
	return broker.NewMesh(o)
}

// fields are the settings' pointers; what has no setting keeps its place in the
// default shape.
func fields(m *config.Mesh) broker.Fields {
	f := broker.DefaultFields()
	f.ID, f.From, f.To, f.Text, f.Ack = m.FieldID, m.FieldFrom, m.FieldTo, m.FieldText, m.FieldAck
	f.Lat, f.Lon, f.Alt, f.Time = m.FieldLat, m.FieldLon, m.FieldAlt, m.FieldTime
	f.Via, f.Encrypted, f.SNR, f.RSSI = m.FieldVia, m.FieldEncrypted, m.FieldSNR, m.FieldRSSI
	return f
}

func newTrunk(l config.Link, n Needs) (link.Link, error) {
	t := l.Trunk
	key, err := signingKey(t.SigningKeyFile)
	if err != nil && l.MaySend() {
		return nil, fmt.Errorf("trunk link %s: _SIGNING_KEY_FILE %s: %w", l.Name, t.SigningKeyFile, err)
	}
	o := broker.TrunkOptions{
		Name: l.Name, Call: n.Call, BrokerURL: t.BrokerURL, BrokerListen: t.BrokerListen,
		Username: t.Username, Password: t.Password.Reveal(), CAFile: t.CAFile, CertFile: t.CertFile, KeyFile: t.KeyFile,
		TopicRoot: t.TopicRoot, Key: key, TrustFile: t.TrustFile, TrustAny: t.Trust == "any", ReceiveOnly: !l.MaySend(),
		Meshes: n.Meshes, AckWait: t.AckWait, Wall: n.Wall, Log: n.Log, Process: n.Process, Helps: n.Helps,
	}
	if n.Helps && o.BrokerListen != "" {
		o.BrokerURL, o.BrokerListen = "tcp://localhost", ""
	}
	for _, g := range l.Groups {
		o.Groups = append(o.Groups, strings.ToUpper(g))
	}
	return broker.NewTrunk(o)
}

// FindTwin listens on a trunk for another gateway with our own call sign.
func FindTwin(ctx context.Context, l config.Link, call string, wall func() (time.Time, bool), listen time.Duration) (bool, error) {
	t := l.Trunk
	key, err := signingKey(t.SigningKeyFile)
	if err != nil {
		return false, fmt.Errorf("trunk link %s: _SIGNING_KEY_FILE %s: %w", l.Name, t.SigningKeyFile, err)
	}
	return broker.FindTwin(ctx, broker.TrunkOptions{
		Name: l.Name, Call: call, BrokerURL: t.BrokerURL, Username: t.Username, Password: t.Password.Reveal(),
		CAFile: t.CAFile, CertFile: t.CertFile, KeyFile: t.KeyFile, TopicRoot: t.TopicRoot, Key: key, Wall: wall,
	}, listen)
}

// RestoredMarks gives the marks of a trunk as they have to be after a restore.
func RestoredMarks(l config.Link, marks map[string][]byte, now time.Time) (map[string][]byte, error) {
	believed := &envelope.Trust{}
	if path := l.Trunk.TrustFile; path != "" {
		b, err := os.ReadFile(path)
		if err == nil {
			believed, err = envelope.ParseTrust(b)
		}
		if err != nil {
			return nil, fmt.Errorf("_TRUST_FILE %s: %w", path, err)
		}
	}
	return broker.RestoredMarks(marks, believed, now)
}

func signingKey(path string) (envelope.Key, error) {
	file, err := os.ReadFile(path)
	if err != nil {
		return envelope.Key{}, err
	}
	return envelope.ParseKey(file)
}

func newAPRS(l config.Link, n Needs) (link.Link, error) {
	a := l.APRS
	resends := a.Resends
	if resends == 0 {
		resends = -1 // the option's zero is its default
	}
	return aprsis.New(aprsis.Options{
		Name: l.Name, Server: a.Server, Call: n.Call, Passcode: a.Passcode.Reveal(), Filter: a.Filter, Version: n.Version,
		AckWait: a.AckWait, Resends: resends, MaxParts: a.MaxParts, Positions: a.Positions, Log: n.Log,
	})
}

func newMail(l config.Link, n Needs) (link.Link, error) {
	m := l.Mail
	o := mail.Options{
		Name: l.Name, Call: n.Call, Listen: m.Listen, Domain: m.Domain,
		Smarthost: m.Smarthost, SmarthostTLS: m.SmarthostTLS, Username: m.SmarthostUsername, Password: m.SmarthostPassword.Reveal(),
		RootCAs: n.RootCAs, Relays: append([]netip.Prefix{}, m.Relays...), // empty is nobody, nil would be the default
		MaxMessageBytes: int64(m.MaxMessageBytes), BounceKey: n.BounceKey,
		Lifetime: l.Lifetime, ClockTrusted: n.ClockTrusted, Log: n.Log, Named: n.Named,
		ReplyFor: func(address, station string) bool { return n.MayAnswer(l, address, station) },
	}
	if m.Mailbox != "" && l.MayReceive() && (!n.Helps || l.Once()) {
		o.Mailbox = mail.Mailbox{
			Server: m.Mailbox, TLS: m.MailboxTLS, Username: m.MailboxUsername, Password: m.MailboxPassword.Reveal(),
			Folder: m.MailboxFolder, Vouches: m.MailboxVouches, Every: m.MailboxEvery,
		}
	}
	o.Mailbox.Address = m.MailboxAddress
	for _, a := range m.Allow {
		o.Allow = append(o.Allow, mail.Allow{Address: a.Pattern, Call: a.Call})
	}
	if m.TLSCertFile != "" {
		files, err := keypair.Read(m.TLSCertFile, m.TLSKeyFile, n.Log)
		if err != nil {
			return nil, fmt.Errorf("mail link %s: %w", l.Name, err)
		}
		o.Certificate = files.Now
	}
	return mail.New(o)
}

// Has tells whether there is a kind of that name.
func Has(kind string) bool { _, ok := kinds[kind]; return ok }

// Passcode is the APRS-IS passcode of a call sign.
func Passcode(call string) int { return aprsis.Passcode(call) }
