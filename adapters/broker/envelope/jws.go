package envelope

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
)

// algorithm is the only one (RFC 8037 section 3.1).
const algorithm = "EdDSA"

// protected is the header that gets signed, written in this order.
type protected struct {
	Alg  string   `json:"alg"`
	B64  bool     `json:"b64"` // false: the payload is signed as it is
	Crit []string `json:"crit"`
	KID  string   `json:"kid"`
	JWK  *jwk     `json:"jwk,omitempty"`
}

// jws is an event on the wire: RFC 7515 section 7.2.2.
type jws struct {
	Payload   string `json:"payload"`
	Protected string `json:"protected"`
	Signature string `json:"signature"`
}

// sealed is an event taken off the wire: nothing of it is verified.
type sealed struct {
	kid       string
	key       *PublicKey // the one that it brings along, if any
	input     []byte     // what was signed
	payload   []byte
	signature []byte
}

// signingInput is what gets signed (RFC 7797 section 3): the encoded header, a
// dot, and the payload as it is.
func signingInput(header string, payload []byte) []byte {
	return append([]byte(header+"."), payload...)
}

// verify tells whether the holder of a key signed it.
func (s *sealed) verify(key PublicKey) bool {
	return ed25519.Verify(key[:], s.input, s.signature)
}

// unwrap takes an event off the wire.
func unwrap(wire []byte) (*sealed, error) {
	if len(wire) > MaxWire {
		return nil, fmt.Errorf("%d bytes, more than %d", len(wire), MaxWire)
	}
	m, err := object(wire)
	if err != nil {
		return nil, err
	}
	var j jws
	for name, into := range map[string]*string{"payload": &j.Payload, "protected": &j.Protected, "signature": &j.Signature} {
		if *into, err = text(m, name); err != nil {
			return nil, err
		}
	}
	if len(m) != 3 { // header, signatures: nobody signed those
		return nil, errors.New("other members than payload, protected and signature")
	}
	s := &sealed{payload: []byte(j.Payload)}
	s.input = signingInput(j.Protected, s.payload)
	if s.signature, err = unbase64(j.Signature); err != nil || len(s.signature) != ed25519.SignatureSize {
		return nil, errors.New("the signature is not 64 bytes in base64url")
	}
	header, err := unbase64(j.Protected)
	if err != nil {
		return nil, fmt.Errorf("protected header: %w", err)
	}
	if err := s.readHeader(header); err != nil {
		return nil, fmt.Errorf("protected header: %w", err)
	}
	return s, nil
}

// readHeader demands what the signature depends on. RFC 7797 section 6: without
// b64 in crit a reader could take the payload for encoded; RFC 7515 section
// 4.1.11: what is critical and unknown must not be accepted. Other members are
// ignored.
func (s *sealed) readHeader(raw []byte) error {
	m, err := object(raw)
	if err != nil {
		return err
	}
	if alg, err := text(m, "alg"); err != nil || alg != algorithm {
		return errors.New("alg is not EdDSA")
	}
	b64 := true
	if err := json.Unmarshal(m["b64"], &b64); err != nil || b64 {
		return errors.New("b64 is not false")
	}
	var crit []string
	if err := json.Unmarshal(m["crit"], &crit); err != nil || len(crit) != 1 || crit[0] != "b64" {
		return errors.New(`crit is not ["b64"]`)
	}
	if s.kid, err = text(m, "kid"); err != nil {
		return err
	}
	if !isCall(s.kid) {
		return fmt.Errorf("kid %q is not a call sign", clip(s.kid))
	}
	return s.readKey(m["jwk"])
}

// readKey reads the key that comes along, if one does.
func (s *sealed) readKey(raw json.RawMessage) error {
	if raw == nil {
		return nil
	}
	m, err := object(raw)
	if err != nil {
		return fmt.Errorf("jwk: %w", err)
	}
	key, err := publicKey(m)
	if err != nil {
		return fmt.Errorf("jwk: %w", err)
	}
	s.key = &key
	return nil
}

// wrap signs a payload and puts it on the wire. With bring, the public key comes
// along.
func wrap(key Key, kid string, bring bool, payload []byte) ([]byte, error) {
	h := protected{Alg: algorithm, Crit: []string{"b64"}, KID: kid}
	if bring {
		j := key.Public().jwk("")
		h.JWK = &j
	}
	header, err := compact(h)
	if err != nil {
		return nil, err
	}
	encoded := base64.RawURLEncoding.EncodeToString(header)
	signature := ed25519.Sign(*key.private, signingInput(encoded, payload))
	return compact(jws{string(payload), encoded, base64.RawURLEncoding.EncodeToString(signature)})
}
