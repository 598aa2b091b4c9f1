package envelope

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
)

// Key is a gateway's private key. It prints as *** wherever it may end up, and
// is behind a pointer so that a printer that walks into unexported fields finds
// an address there.
type Key struct{ private *ed25519.PrivateKey }

// MakeKey makes a new key.
func MakeKey() (Key, error) {
	_, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		return Key{}, fmt.Errorf("making a key: %w", err)
	}
	return Key{&private}, nil
}

// pemType is the one form of key file: PKCS#8 in PEM (RFC 5958, RFC 7468), for
// Ed25519 as in RFC 8410.
const pemType = "PRIVATE KEY"

// ParseKey reads a key file: one PEM block. No error shows what is in it.
func ParseKey(file []byte) (Key, error) {
	block, rest := pem.Decode(file)
	if block == nil || block.Type != pemType || len(bytes.TrimSpace(rest)) > 0 {
		return Key{}, errors.New("the signing key is not one PEM block PRIVATE KEY: make it with 'posthouse key'")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return Key{}, errors.New("the signing key is damaged: make a new one with 'posthouse key'")
	}
	private, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return Key{}, errors.New("the signing key is not an Ed25519 key: make it with 'posthouse key'")
	}
	return Key{&private}, nil
}

// PEM writes the key file.
func (k Key) PEM() ([]byte, error) {
	if k.IsZero() {
		return nil, errNoKey
	}
	der, err := x509.MarshalPKCS8PrivateKey(*k.private)
	if err != nil {
		return nil, fmt.Errorf("writing the signing key: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: der}), nil
}

var errNoKey = errors.New("there is no signing key")

// IsZero tells that there is no key.
func (k Key) IsZero() bool { return k.private == nil }

// Public gives the half that others may know; zero when there is no key.
func (k Key) Public() (p PublicKey) {
	if !k.IsZero() {
		copy(p[:], k.private.Public().(ed25519.PublicKey))
	}
	return p
}

// Format prints *** for every verb.
func (k Key) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, "***") }

// LogValue is what slog prints.
func (k Key) LogValue() slog.Value { return slog.StringValue("***") }

// MarshalText is what JSON and other encoders get.
func (k Key) MarshalText() ([]byte, error) { return []byte("***"), nil }

// PublicKey is an Ed25519 public key. It is comparable.
type PublicKey [ed25519.PublicKeySize]byte

// jwk is a public key of RFC 8037. The members are in the order in which RFC
// 7638 hashes them.
type jwk struct {
	KID string `json:"kid,omitempty"`
	CRV string `json:"crv"`
	KTY string `json:"kty"`
	X   string `json:"x"`
}

func (p PublicKey) jwk(call string) jwk {
	return jwk{KID: call, CRV: "Ed25519", KTY: "OKP", X: base64.RawURLEncoding.EncodeToString(p[:])}
}

// JWK is the line for a trust file: the key as a JWK, the call sign as its kid.
func (p PublicKey) JWK(call string) string {
	line, err := compact(p.jwk(call))
	if err != nil {
		panic(err) // four strings
	}
	return string(line)
}

// Thumbprint is the key's JWK thumbprint (RFC 7638) in base64url: what two
// operators read to each other to compare.
func (p PublicKey) Thumbprint() string {
	sum := sha256.Sum256([]byte(p.JWK("")))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// String is the thumbprint.
func (p PublicKey) String() string { return p.Thumbprint() }

// ParseJWK reads a public key and the call sign that it is for. Members that it
// does not know are ignored, as RFC 7517 wants it.
func ParseJWK(line []byte) (call string, key PublicKey, err error) {
	m, err := object(line)
	if err != nil {
		return "", PublicKey{}, err
	}
	if call, err = text(m, "kid"); err != nil {
		return "", PublicKey{}, err
	}
	if !isCall(call) {
		return "", PublicKey{}, fmt.Errorf("kid %q is not a call sign in capitals", clip(call))
	}
	key, err = publicKey(m)
	return call, key, err
}

// publicKey reads the key itself.
func publicKey(m map[string]json.RawMessage) (key PublicKey, err error) {
	if _, private := m["d"]; private {
		return key, errors.New("this is a private key: keep it secret, and write the public half here")
	}
	for _, must := range [...]struct{ name, value string }{{"kty", "OKP"}, {"crv", "Ed25519"}} {
		if v, err := text(m, must.name); err != nil || v != must.value {
			return key, fmt.Errorf("%s is not %s", must.name, must.value)
		}
	}
	for _, may := range [...]struct{ name, value string }{{"alg", algorithm}, {"use", "sig"}} {
		if _, given := m[may.name]; !given {
			continue
		}
		if v, err := text(m, may.name); err != nil || v != may.value {
			return key, fmt.Errorf("%s is not %s", may.name, may.value)
		}
	}
	x, err := text(m, "x")
	if err != nil {
		return key, err
	}
	raw, err := unbase64(x)
	if err != nil || len(raw) != len(key) {
		return key, errors.New("x is not 32 bytes in base64url without padding")
	}
	copy(key[:], raw)
	return key, nil
}

// object reads a JSON object by the exact names of its members.
func object(raw []byte) (map[string]json.RawMessage, error) {
	if err := strict(raw, anyMember); err != nil {
		return nil, err
	}
	var m map[string]json.RawMessage
	if err := json.Unmarshal(raw, &m); err != nil || m == nil {
		return nil, errors.New("not a JSON object")
	}
	return m, nil
}

// text gives a member that must be a string.
func text(m map[string]json.RawMessage, name string) (string, error) {
	var s *string
	if err := json.Unmarshal(m[name], &s); err != nil || s == nil {
		return "", fmt.Errorf("member %s is missing, or no string", name)
	}
	return *s, nil
}

// unbase64 reads base64url without padding (RFC 7515 section 2) in its one
// canonical form: no line feeds, no loose bits at the end.
func unbase64(s string) ([]byte, error) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(s)
	if err != nil || base64.RawURLEncoding.EncodedLen(len(raw)) != len(s) {
		return nil, errors.New("not base64url without padding")
	}
	return raw, nil
}
