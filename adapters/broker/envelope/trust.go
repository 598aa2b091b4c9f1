package envelope

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
)

// Limits of a trust file.
const (
	MaxTrustFile  = 1 << 20 // bytes
	maxTrustLine  = 4 << 10 // bytes
	maxKeysOfCall = 8       // keys of one call sign, while it changes them
	maxFindings   = 20      // errors that are named
)

// Trust is the list of gateways that are believed. The zero value lists nobody.
// It is not changed after it was made.
type Trust struct {
	// Any lets texts in from gateways that are not on the list; never anything in
	// the name of one that is.
	Any bool

	keys   map[string][]PublicKey
	owners map[PublicKey]string
}

// ParseTrust reads a trust file: a JWK a line (RFC 7517, RFC 8037), each with
// its gateway's call sign as kid; empty lines and lines that begin with # are
// comments. A call sign may have several keys, since keys change; a key has one
// call sign, since its numbers do. Any wrong line makes the whole file wrong:
// the error names the lines.
func ParseTrust(file []byte) (*Trust, error) {
	if len(file) > MaxTrustFile {
		return nil, fmt.Errorf("the trust file has %d bytes, more than %d", len(file), MaxTrustFile)
	}
	t := &Trust{keys: map[string][]PublicKey{}, owners: map[PublicKey]string{}}
	var wrong []error
	number := 0
	for line := range bytes.Lines(file) {
		number++
		line = bytes.TrimSpace(line)
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		if err := t.add(line); err != nil && len(wrong) < maxFindings {
			wrong = append(wrong, fmt.Errorf("line %d: %w", number, err))
		}
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return t, nil
}

// add takes one line in.
func (t *Trust) add(line []byte) error {
	if len(line) > maxTrustLine {
		return fmt.Errorf("has %d bytes, more than %d", len(line), maxTrustLine)
	}
	call, key, err := ParseJWK(line)
	if err != nil {
		return err
	}
	switch other, known := t.owners[key]; {
	case known && other == call:
		return nil // twice the same line does no harm
	case known:
		return fmt.Errorf("is the key of %s too: each gateway has its own", other)
	case len(t.keys[call]) == maxKeysOfCall:
		return fmt.Errorf("is key %d of %s: take out the old ones", maxKeysOfCall+1, call)
	}
	t.owners[key] = call
	t.keys[call] = append(t.keys[call], key)
	return nil
}

// Has tells whether any gateway is on the list with this key.
func (t *Trust) Has(key PublicKey) bool { return t != nil && t.owners[key] != "" }

// Knows tells whether a gateway is on the list.
func (t *Trust) Knows(call string) bool { return t != nil && len(t.keys[call]) > 0 }

// Calls gives the gateways on the list, sorted.
func (t *Trust) Calls() []string {
	if t == nil {
		return nil
	}
	return slices.Sorted(maps.Keys(t.keys))
}

// Keys gives the keys of a gateway, in the order of the file.
func (t *Trust) Keys(call string) []PublicKey {
	if t == nil {
		return nil
	}
	return slices.Clone(t.keys[call])
}
