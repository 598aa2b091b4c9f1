package mail

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-msgauth/dkim"
)

// keys are the DKIM keys of a test, one a domain, as DNS would give them
// (RFC 6376 section 3.6.1; Ed25519: RFC 8463 section 4).
type keys map[string]crypto.Signer

func (k keys) lookup(_ context.Context, name string) ([]string, error) {
	key, ok := k[strings.TrimPrefix(name, "s._domainkey.")]
	if !ok {
		return nil, &net.DNSError{Err: "no such host", Name: name, IsNotFound: true}
	}
	if edwards, ok := key.Public().(ed25519.PublicKey); ok {
		return []string{"v=DKIM1; k=ed25519; p=" + base64.StdEncoding.EncodeToString(edwards)}, nil
	}
	der, err := x509.MarshalPKIXPublicKey(key.Public())
	if err != nil {
		return nil, err
	}
	return []string{"v=DKIM1; k=rsa; p=" + base64.StdEncoding.EncodeToString(der)}, nil
}

func (k keys) sign(t *testing.T, mail, domain string, headers []string) string {
	t.Helper()
	var b bytes.Buffer
	err := dkim.Sign(&b, strings.NewReader(mail), &dkim.SignOptions{
		Domain: domain, Selector: "s", Signer: k[domain], Hash: crypto.SHA256, HeaderKeys: headers,
		HeaderCanonicalization: dkim.CanonicalizationRelaxed, BodyCanonicalization: dkim.CanonicalizationRelaxed,
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestOnlyAnAlignedSignatureVouches(t *testing.T) {
	weak, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	_, edwards, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	k := keys{"home.example": weak, "mail.home.example": weak, "county.example": edwards, "evil.example": weak, "example": weak}
	all := []string{"From", "To", "Date", "Message-ID", "Subject"}
	without := func(name string) []string {
		var left []string
		for _, h := range all {
			if h != name {
				left = append(left, h)
			}
		}
		return left
	}
	dated := func(when time.Time) string {
		return crlf("From: qra@home.example\nTo: n0qrb-9@" + domain + "\nSubject: water\nDate: " + when.Format(time.RFC1123Z) +
			"\nMessage-ID: <1@home.example>\n\ntwo cans\n")
	}
	now := time.Now()
	mail := dated(now)
	to := strings.NewReplacer("qra@home.example", "eoc@county.example").Replace(mail)
	good := k.sign(t, mail, "home.example", all)
	dnsFails := func(context.Context, string) ([]string, error) { return nil, errors.New("network unreachable") }
	for _, c := range []struct {
		name string
		mail string
		want string
		text string
		set  func(*Options)
	}{
		{"signed by the From domain", good, "250", "water: two cans", nil},
		{"signed with Ed25519", k.sign(t, to, "county.example", all), "250", "water: two cans", nil},
		{"signed by the parent domain", k.sign(t, strings.ReplaceAll(mail, "qra@home", "qra@mail.home"), "home.example", all), "250", "water: two cans",
			func(o *Options) { o.Allow = append(o.Allow, Allow{Address: "qra@mail.home.example"}) }},
		{"two signatures, one is good", k.sign(t, good, "evil.example", all), "250", "water: two cans", nil},
		{"an unsigned subject is not carried", k.sign(t, mail, "home.example", without("Subject")), "250", "two cans", nil},
		{"To is no list of RFC 5322", k.sign(t, strings.Replace(mail, "To: ", "To: eoc@county.example; Ben [hut] ", 1), "home.example", all), "250", "water: two cans", nil},
		{"Message-ID is none of RFC 5322", k.sign(t, strings.Replace(mail, "<1@", "<[1]:2@", 1), "home.example", all), "250", "water: two cans", nil},

		{"unsigned", mail, "550 5.7.20", "", nil},
		{"without Message-ID", k.sign(t, strings.Replace(mail, "Message-ID: <1@home.example>\r\n", "", 1), "home.example", all), "550 5.7.20", "", nil},
		{"signed by another domain", k.sign(t, mail, "evil.example", all), "550 5.7.20", "", nil},
		{"signed by a child domain", k.sign(t, mail, "mail.home.example", all), "550 5.7.20", "", nil},
		{"signed by a public suffix", k.sign(t, mail, "example", all), "550 5.7.20", "", nil},
		{"To is not signed", k.sign(t, mail, "home.example", without("To")), "550 5.7.20", "", nil},
		{"Date is not signed", k.sign(t, mail, "home.example", without("Date")), "550 5.7.20", "", nil},
		{"Message-ID is not signed", k.sign(t, mail, "home.example", without("Message-ID")), "550 5.7.20", "", nil},
		{"sent on to another station", good, "550 5.7.20", "", nil},
		{"text changed", strings.Replace(good, "two", "ten", 1), "550 5.7.20", "", nil},
		{"only the first bytes are signed (l=)", strings.Replace(good, "; d=", "; l=0; d=", 1), "550 5.7.20", "", nil},
		{"second From on top", "From: eoc@county.example\r\n" + good, "554 5.6.0", "", nil},
		{"second To on top", "To: n0qrc@" + domain + "\r\n" + good, "554 5.6.0", "", nil},
		{"From with a blank before its colon", "From : eoc@county.example\r\n" + good, "554 5.6.0", "", nil},
		{"old", k.sign(t, dated(now.Add(-121*time.Hour)), "home.example", all), "550 5.4.7", "", nil},
		{"from the future", k.sign(t, dated(now.Add(time.Hour)), "home.example", all), "550 5.7.20", "", nil},
		{"DNS fails", good, "451 4.4.3", "", func(o *Options) { o.LookupTXT = dnsFails }},
		{"the clock is not set", good, "451 4.3.0", "", func(o *Options) { o.ClockTrusted = func() bool { return false } }},
		{"not on the allow list", k.sign(t, strings.ReplaceAll(mail, "qra@home", "else@home"), "home.example", all), "550 5.7.1", "", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := startGateway(t, func(o *Options) {
				o.Relays, o.LookupTXT = nobody, k.lookup
				if c.set != nil {
					c.set(o)
				}
			})
			station := "N0QRB-9"
			if c.name == "sent on to another station" {
				station = "N0QRC"
			}
			// The envelope says nothing (it looks rewritten), the header decides.
			err := g.deliverRaw(t, "srs0=any@fwd.example", station+"@"+domain, c.mail)
			if got := code(t, err); got != c.want {
				t.Fatalf("answered %s (%v), want %s", got, err, c.want)
			}
			if kept := g.host.Kept(); c.want == "250" && (len(kept) != 1 || kept[0].Text != c.text) {
				t.Errorf("kept %+v, want %q", kept, c.text)
			}
		})
	}
}

// RFC 7489 section 3.1.1 gives the first three rows; the public suffix list
// (publicsuffix.org) has co.uk.
func TestAlignment(t *testing.T) {
	for _, c := range []struct {
		d, from string
		want    bool
	}{
		{"example.com", "news.example.com", true},
		{"example.com", "example.com", true},
		{"example.net", "example.com", false},
		{"news.example.com", "example.com", false},
		{"com", "example.com", false},
		{"co.uk", "example.co.uk", false},
		{"ample.com", "example.com", false},
		{"Example.COM", "a.b.example.com", true},
		{"", "example.com", false},
	} {
		if got := aligned(c.d, c.from); got != c.want {
			t.Errorf("d=%s for %s: aligned is %v", c.d, c.from, got)
		}
	}
}
