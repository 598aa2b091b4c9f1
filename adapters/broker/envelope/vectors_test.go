package envelope

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"
)

// RFC 8037 appendix A.1 to A.3: the key, its public half, the thumbprint.
func TestKeyOfRFC8037(t *testing.T) {
	p := rfcKey(t).Public()
	want := `{"kid":"N0QRA-10","crv":"Ed25519","kty":"OKP","x":"` + vector(t, "rfc8037.x") + `"}`
	if got := p.JWK("N0QRA-10"); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got, want := p.Thumbprint(), vector(t, "rfc8037.thumbprint"); got != want {
		t.Errorf("thumbprint %s, want %s", got, want)
	}
}

// RFC 8037 appendix A.4 and A.5, where the payload is encoded; and the same key
// with an unencoded, detached payload.
func TestSignaturesOfOthers(t *testing.T) {
	key := rfcKey(t)
	for name, payload := range map[string]string{
		"rfc8037.jws":   "RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc", // Example of Ed25519 signing
		"unencoded.jws": vector(t, "unencoded.payload"),
	} {
		parts := strings.Split(vector(t, name), ".")
		s := &sealed{input: signingInput(parts[0], []byte(payload)), signature: decode64(t, parts[2])}
		if !s.verify(key.Public()) {
			t.Errorf("%s: the signature does not hold", name)
		}
		if got := base64.RawURLEncoding.EncodeToString(ed25519.Sign(*key.private, s.input)); got != parts[2] {
			t.Errorf("%s: got signature %s, want %s", name, got, parts[2])
		}
	}
}

// RFC 7797 section 4.2: what is signed of an unencoded payload. The example has
// HMAC; the signing input is the same for every algorithm.
func TestSigningInputOfRFC7797(t *testing.T) {
	mac := hmac.New(sha256.New, decode64(t, vector(t, "rfc7797.key")))
	mac.Write(signingInput(vector(t, "rfc7797.protected"), []byte(vector(t, "rfc7797.payload"))))
	if got, want := base64.RawURLEncoding.EncodeToString(mac.Sum(nil)), vector(t, "rfc7797.signature"); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// RFC 8410 section 10.3, and the public key that section 10.1 gives for it.
func TestKeyFileOfRFC8410(t *testing.T) {
	file, err := os.ReadFile("testdata/rfc8410.pem")
	if err != nil {
		t.Fatal(err)
	}
	key, err := ParseKey(file)
	if err != nil {
		t.Fatal(err)
	}
	if want := [32]byte(decode64(t, vector(t, "rfc8410.x"))); key.Public() != want {
		t.Errorf("got %x, want %x", key.Public(), want)
	}
	if again, err := key.PEM(); err != nil || string(again) != string(file) {
		t.Errorf("written again:\n%s%v", again, err)
	}
}

// CloudEvents 1.0: the attributes that must be there, their names of lower-case
// letters and digits, an Integer of 32 bits, times as in RFC 3339, no control
// character in a string.
func TestEventIsACloudEvent(t *testing.T) {
	unsure := hello()
	unsure.Signed = time.Time{}
	for _, e := range []Event{hello(), unsure} {
		payload, err := e.encode()
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(payload, &m); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"id", "source", "specversion", "type"} {
			if s, _ := m[name].(string); s == "" {
				t.Errorf("%s is missing", name)
			}
		}
		if m["specversion"] != "1.0" {
			t.Errorf("specversion %v", m["specversion"])
		}
		for name, v := range m {
			if strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789") != "" || len(name) > 20 {
				t.Errorf("attribute name %q", name)
			}
			switch v := v.(type) {
			case string:
				if strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r >= 0x7f && r < 0xa0 }) {
					t.Errorf("%s holds a control character: %q", name, v)
				}
			case float64:
				if v != float64(int32(v)) {
					t.Errorf("%s is no 32-bit integer: %v", name, v)
				}
			default:
				if name != "data" {
					t.Errorf("%s is a %T", name, v)
				}
			}
		}
		for _, name := range []string{"time", "expirytime"} {
			s, given := m[name].(string)
			if _, err := time.Parse(time.RFC3339, s); given == e.Signed.IsZero() || given && err != nil {
				t.Errorf("%s is %q", name, s)
			}
		}
	}
}
