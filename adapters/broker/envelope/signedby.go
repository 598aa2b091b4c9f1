package envelope

import (
	"bytes"
	"encoding/base64"
)

// How Seal writes an event, around its header, and the header around the name of who
// signed.
var (
	beforeHeader = []byte(`","protected":"`)
	behindHeader = []byte(`","signature":"`)
	beforeName   = []byte(`{"alg":"EdDSA","b64":false,"crit":["b64"],"kid":"`)
)

// SignedBy gives the name under which an event says that it was signed, which Open
// checks; empty: it cannot be read. One that Seal has written takes a small part of the
// time that Open takes.
func SignedBy(wire []byte) string {
	if name := signedShort(wire); isCall(name) {
		return name
	}
	s, err := unwrap(wire)
	if err != nil {
		return ""
	}
	return s.kid
}

// signedShort looks where Seal puts the name; empty: it is not there. In whatever Open
// takes, it is the name that Open finds: what stands there can be in no string, since its
// quotes are not escaped, and no member is there twice.
func signedShort(wire []byte) string {
	at := bytes.LastIndex(wire, beforeHeader)
	if at < 0 {
		return ""
	}
	encoded, _, ok := bytes.Cut(wire[at+len(beforeHeader):], behindHeader)
	if !ok {
		return ""
	}
	encoded = encoded[:min(len(encoded), base64.RawURLEncoding.EncodedLen(len(beforeName)+maxName)/4*4)]
	header := make([]byte, base64.RawURLEncoding.DecodedLen(len(encoded)))
	n, err := base64.RawURLEncoding.Decode(header, encoded)
	if err != nil {
		return ""
	}
	name, ok := bytes.CutPrefix(header[:n], beforeName)
	if !ok {
		return ""
	}
	name, _, ok = bytes.Cut(name, []byte(`"`))
	if !ok {
		return ""
	}
	return string(name)
}

// maxName is more than a call sign has bytes.
const maxName = 48
