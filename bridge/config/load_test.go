package config

import (
	"log/slog"
	"net/netip"
	"reflect"
	"testing"
	"time"
)

// TestDefaults holds the defaults to the written contract of the variables.
func TestDefaults(t *testing.T) {
	c, findings := Load(good(t).with("POST_RELAYS", "VALLEY_OPEN_CHANNEL", "VALLEY_MESH").environ(), hooks)
	for i := range c.Links { // what good sets without a need
		c.Links[i].Mesh, c.Links[i].Trunk, c.Links[i].APRS, c.Links[i].Mail = clear(c.Links[i])
	}
	want := &Config{
		Callsign: "N0QRZ-10", DataDir: "posthouse-data", Store: "bolt", HTTPListen: "127.0.0.1:8327",
		Lifetime: 24 * time.Hour, HeardFor: 24 * time.Hour, DedupWindow: time.Hour, KeepLog: 8760 * time.Hour,
		Unheard: "hold", Rate: Rate{20, 10 * time.Minute}, LogLevel: slog.LevelInfo, LogFormat: "text",
		Links: Links{
			{Name: "valley", Kind: "mesh", Medium: "internet", Direction: "both", Groups: []string{"ALL"},
				Lifetime: 24 * time.Hour, HeardFor: 24 * time.Hour, DedupWindow: time.Hour,
				Mesh: &Mesh{FromTopic: "valley/from", ToTopic: "valley/to",
					FieldID: "/id", FieldFrom: "/from", FieldTo: "/to", FieldText: "/text", FieldAck: "/ack", FieldLat: "/lat", FieldLon: "/lon",
					FieldAlt: "/alt", FieldTime: "/time", FieldVia: "/via", FieldEncrypted: "/encrypted", FieldSNR: "/snr", FieldRSSI: "/rssi",
					Unknown: "pass", MaxBytes: 140, MaxParts: 4, AckWait: 90 * time.Second, Resends: 2, Charset: "utf-8",
					Preamble: 8, Repeats: 3, Airtime: 10, Reserve: 20}},
			{Name: "far", Kind: "trunk", Medium: "internet", Direction: "both", Groups: []string{"ALL"},
				Lifetime: 24 * time.Hour, HeardFor: 24 * time.Hour, DedupWindow: time.Hour,
				Trunk: &Trunk{TopicRoot: "posthouse/1", Trust: "listed", AckWait: 30 * time.Second}},
			{Name: "aprs", Kind: "aprs", Medium: "internet", Direction: "both",
				Lifetime: 24 * time.Hour, HeardFor: time.Hour, DedupWindow: 45 * time.Minute,
				APRS: &APRS{PositionEvery: time.Minute, AckWait: 15 * time.Second, Resends: 7, MaxParts: 3}},
			{Name: "post", Kind: "mail", Medium: "internet", Direction: "both",
				Lifetime: 120 * time.Hour, HeardFor: 24 * time.Hour, DedupWindow: time.Hour,
				Mail: &Mail{SmarthostTLS: "starttls", MailboxTLS: "implicit", MailboxFolder: "INBOX", MailboxEvery: 5 * time.Minute, ReplyFor: 168 * time.Hour, MaxMessageBytes: 64 << 10,
					Relays: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}}},
		},
	}
	if !reflect.DeepEqual(c, want) {
		t.Errorf("got  %+v\nwant %+v\n%s", c, want, lines(findings))
		for i := range want.Links {
			t.Errorf("got  %+v\nwant %+v", c.Links[i], want.Links[i])
		}
	}
}

// clear gives copies without what good sets.
func clear(k Link) (m *Mesh, t *Trunk, a *APRS, p *Mail) {
	if k.Mesh != nil {
		c := *k.Mesh
		c.BrokerURL, m = "", &c
	}
	if k.Trunk != nil {
		c := *k.Trunk
		c.BrokerURL, c.SigningKeyFile, c.TrustFile, t = "", "", "", &c
	}
	if k.APRS != nil {
		c := *k.APRS
		c.Server, c.Passcode, a = "", Secret{}, &c
	}
	if k.Mail != nil {
		c := *k.Mail
		c.Domain, c.Listen, c.Smarthost, p = "", "", "", &c
	}
	return m, t, a, p
}

func TestALinkOverridesTheGateway(t *testing.T) {
	c, findings := Load(good(t).with("LIFETIME=48h", "HEARD_FOR=12h", "DEDUP_WINDOW=30m", "FAR_LIFETIME=6h", "POST_HEARD_FOR=1h").environ(), hooks)
	if len(findings) > 0 {
		t.Fatal(lines(findings))
	}
	for _, want := range []struct {
		link                      string
		lifetime, heardFor, dedup time.Duration
	}{
		{"valley", 48 * time.Hour, 12 * time.Hour, 30 * time.Minute}, // all from the gateway
		{"far", 6 * time.Hour, 12 * time.Hour, 30 * time.Minute},     // its own lifetime
		{"aprs", 48 * time.Hour, time.Hour, 45 * time.Minute},        // its kind's default goes before the gateway's word
		{"post", 120 * time.Hour, time.Hour, 30 * time.Minute},
	} {
		k := c.Links.Find(want.link)
		if k.Lifetime != want.lifetime || k.HeardFor != want.heardFor || k.DedupWindow != want.dedup {
			t.Errorf("%s: %v %v %v, want %+v", k.Name, k.Lifetime, k.HeardFor, k.DedupWindow, want)
		}
	}
}

func TestDataDir(t *testing.T) {
	for _, c := range []struct {
		name  string
		lines []string
		want  string
	}{
		{"neither", nil, "posthouse-data"},
		{"systemd's folder", []string{"STATE_DIRECTORY=/var/lib/posthouse"}, "/var/lib/posthouse"},
		{"the first of systemd's folders", []string{"STATE_DIRECTORY=/a:/b"}, "/a"},
		{"the own word goes first", []string{"STATE_DIRECTORY=/a", "POSTHOUSE_DATA_DIR=/c"}, "/c"},
		{"an empty word is none", []string{"STATE_DIRECTORY=/a", "POSTHOUSE_DATA_DIR="}, "/a"},
	} {
		if got, _ := Load(c.lines, hooks); got.DataDir != c.want {
			t.Errorf("%s: %q, want %q", c.name, got.DataDir, c.want)
		}
	}
}

func TestEmptyValues(t *testing.T) {
	c, findings := Load(good(t).with("HTTP_LISTEN=", "LIFETIME=", "VALLEY_GROUPS=", "VALLEY_FIELD_SNR=", "VALLEY_FIELD_FROM=", "VALLEY_MAX_BYTES=").environ(), hooks)
	if len(findings) > 0 {
		t.Fatal(lines(findings))
	}
	m := c.Links[0].Mesh
	if c.HTTPListen != "" || c.Links[0].Groups != nil || m.FieldSNR != "" {
		t.Errorf("empty has a meaning: %q %q %q", c.HTTPListen, c.Links[0].Groups, m.FieldSNR)
	}
	if c.Lifetime != 24*time.Hour || m.FieldFrom != "/from" || m.MaxBytes != 140 {
		t.Errorf("empty is not set: %v %q %d", c.Lifetime, m.FieldFrom, m.MaxBytes)
	}
}

func TestOneFormForWhatPeopleWriteInAnyCase(t *testing.T) {
	c, findings := Load(good(t).with("CALLSIGN=n0qrz-0", "ALERT_TO=n0qra , Duty@county.example", "ALIASES=eoc=n0qrb-9,TEAM3=Bob@club.example",
		"ROUTES=n0qra*=far", "BLOCK=n0qry", "VALLEY_GROUPS=all, net1", "POST_ALLOW=Ann@club.example=n0qra").environ(), hooks)
	if len(findings) > 0 {
		t.Fatal(lines(findings))
	}
	got := []any{c.Callsign, c.AlertTo, c.Aliases, c.Routes, c.Block, c.Links[0].Groups, c.Links[3].Mail.Allow}
	want := []any{"N0QRZ", []string{"N0QRA", "Duty@county.example"}, Aliases{"EOC": "N0QRB-9", "TEAM3": "Bob@club.example"},
		[]Route{{"N0QRA*", "far"}}, []string{"N0QRY"}, []string{"ALL", "NET1"}, []Allow{{"Ann@club.example", "N0QRA"}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

// A file of settings that was written on another system has a CR at the end of each line.
func TestTheEndOfALineIsNoPartOfAValue(t *testing.T) {
	environ := good(t).with("CALLSIGN_LONG=yes").environ()
	want, told := Load(environ, hooks)
	var crlf []string
	for _, entry := range environ {
		crlf = append(crlf, entry+"\r")
	}
	got, findings := Load(crlf, hooks)
	if !reflect.DeepEqual(got, want) || !reflect.DeepEqual(findings, told) {
		t.Errorf("with CRs:\n%+v\n%s\nwithout:\n%+v", got, lines(findings), want)
	}
	if !Calls(crlf).Long {
		t.Error("CALLSIGN_LONG is not heeded")
	}
}

// TestFilesAreRead: who is on the lists is part of the settings.
func TestFilesAreRead(t *testing.T) {
	c, findings := Load(good(t).with(
		"OPERATORS_FILE="+file(t, 0o600, "# us\nn0qra:"+bcryptHash+"\n"),
		"VALLEY_STATIONS_FILE="+file(t, 0o644, "!0a1b N0QRA-7 Ann may=text\n"),
		"VALLEY_USERNAME=u", "VALLEY_PASSWORD_FILE="+file(t, 0o640, "pass word\r\n")).environ(), hooks)
	if len(findings) > 0 {
		t.Fatal(lines(findings))
	}
	if o := c.Operators; len(o) != 1 || o[0].Call != "N0QRA" || o[0].Hash.Reveal() != bcryptHash {
		t.Errorf("operators %v", o)
	}
	m := c.Links[0].Mesh
	if want := []Station{{Node: "!0a1b", Call: "N0QRA-7", Name: "Ann", MayText: true}}; !reflect.DeepEqual(m.Stations, want) {
		t.Errorf("stations %v", m.Stations)
	}
	if m.Password.Reveal() != "pass word" {
		t.Errorf("password %q", m.Password.Reveal())
	}
}

func TestTheFirstOfTwoEntriesCounts(t *testing.T) {
	if c, _ := Load([]string{"POSTHOUSE_STORE=bolt", "POSTHOUSE_STORE=other", "nonsense"}, hooks); c.Store != "bolt" {
		t.Errorf("store %q", c.Store)
	}
}

// TestEveryRowIsUsable: each variable of the table is described, reads its own
// default and example, and prints what it read.
func TestEveryRowIsUsable(t *testing.T) {
	each := func(kind string, rows []variable) {
		for _, v := range rows {
			if v.desc() == "" || v.tag.Get("default") == "" && v.tag.Get("example") == "" && v.oneof() == "" {
				t.Errorf("%s %s: needs a description, and an example or default", kind, v.name)
			}
			if v.secret() {
				continue
			}
			for _, text := range []string{v.def("name", kind), v.tag.Get("example")} {
				if text == "" || text[0] == '$' {
					continue
				}
				if err := v.set(text); err != nil {
					t.Errorf("%s %s=%s: %v", kind, v.name, text, err)
				}
				printed := v.text()
				if err := v.set(printed); err != nil || v.text() != printed {
					t.Errorf("%s %s=%s printed as %s, then %s: %v", kind, v.name, text, printed, v.text(), err)
				}
			}
		}
	}
	each("", table(new(Config)))
	for _, kind := range Kinds {
		rows := linkTable(new(Link), kind)
		if len(kindTable(new(Link), kind)) == 0 {
			t.Errorf("%s has no variables of its own", kind)
		}
		each(kind, rows)
	}
}

func TestWords(t *testing.T) {
	for field, want := range map[string]string{
		"Callsign": "CALLSIGN", "HTTPListen": "HTTP_LISTEN", "BrokerURL": "BROKER_URL", "FieldID": "FIELD_ID", "CAFile": "CA_FILE",
		"SmarthostTLS": "SMARTHOST_TLS", "TLSCertFile": "TLS_CERT_FILE", "SF": "SF", "FieldSNR": "FIELD_SNR", "MaxMessageBytes": "MAX_MESSAGE_BYTES",
	} {
		if got := words(field); got != want {
			t.Errorf("%s is %s, want %s", field, got, want)
		}
	}
}
