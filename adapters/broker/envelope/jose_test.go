package envelope

import (
	"crypto/ed25519"
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	jose "github.com/go-jose/go-jose/v4"
)

// A JOSE library as the second implementation. It has no reader for the
// flattened form with an unencoded payload, so the parts are put into the
// detached form (RFC 7515 appendix F), in which the signature is the same.
func TestAnotherLibraryVerifiesOurs(t *testing.T) {
	e := hello()
	var j jws
	if err := json.Unmarshal(seal(t, keyA, e), &j); err != nil {
		t.Fatal(err)
	}
	detached := j.Protected + ".." + j.Signature
	parsed, err := jose.ParseDetached(detached, []byte(j.Payload), []jose.SignatureAlgorithm{jose.EdDSA})
	if err != nil {
		t.Fatal(err)
	}
	public := keyA.Public()
	if err := parsed.DetachedVerify([]byte(j.Payload), ed25519.PublicKey(public[:])); err != nil {
		t.Error(err)
	}
	if err := parsed.DetachedVerify([]byte(j.Payload+" "), ed25519.PublicKey(public[:])); err == nil {
		t.Error("it verifies anything")
	}
	header := parsed.Signatures[0].Protected
	if header.KeyID != gatewayA || header.JSONWebKey == nil || !reflect.DeepEqual(header.JSONWebKey.Key, ed25519.PublicKey(public[:])) {
		t.Errorf("it reads the header as %+v", header)
	}
}

func TestAnotherLibrarySignsAndWeRead(t *testing.T) {
	e := hello()
	payload, err := e.encode()
	if err != nil {
		t.Fatal(err)
	}
	options := (&jose.SignerOptions{}).WithBase64(false).WithHeader("kid", gatewayA).WithHeader("typ", "JOSE+JSON")
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: *keyA.private}, options)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := signer.Sign(payload)
	if err != nil {
		t.Fatal(err)
	}
	detached, err := signed.DetachedCompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(detached, ".")
	wire, err := json.Marshal(map[string]string{"protected": parts[0], "payload": string(payload), "signature": parts[2]})
	if err != nil {
		t.Fatal(err)
	}
	got, err := Open(wire, trustAB(t), wantB(t, e.Topic))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got.Event, e) {
		t.Errorf("got %+v\nwant %+v", got.Event, e)
	}
}

// The library's reading of a JWK and of its thumbprint (RFC 7638).
func TestAnotherLibraryReadsOurKeys(t *testing.T) {
	var k jose.JSONWebKey
	p := keyA.Public()
	if err := k.UnmarshalJSON([]byte(p.JWK(gatewayA))); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(k.Key, ed25519.PublicKey(p[:])) || k.KeyID != gatewayA {
		t.Errorf("got %+v", k)
	}
	line, err := k.MarshalJSON()
	if err != nil {
		t.Fatal(err)
	}
	if call, key, err := ParseJWK(line); err != nil || call != gatewayA || key != p {
		t.Errorf("%s: got %s, %v, %v", line, call, key, err)
	}
}
