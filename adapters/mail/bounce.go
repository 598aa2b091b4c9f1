package mail

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"strings"
)

const bouncePrefix = "bounce+"

// base32 in lower case: mail servers may change the case of a local part.
var base32Lower = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// macBytes of the MAC are in a bounce address: 80 bits.
const macBytes = 10

// maxLocal is the room of a local part in octets (RFC 5321 section 4.5.3.1.1).
const maxLocal = 64

// bounceAddress is where reports about one mail go: bounce+ID+MAC@domain, with
// the gateway's id of the message by which the bridge finds the delivery (with
// the recipient, which the report names), in base32 since it must come back in
// its own case. A call sign of 15 characters leaves room for a billion messages.
func (o *Options) bounceAddress(id string) (string, error) {
	address := o.addressOf(bouncePrefix + base32Lower.EncodeToString([]byte(id)) + "+" + bounceMAC(o.BounceKey, id))
	if local, _, _ := cutAddress(address); id == "" || len(local) > maxLocal {
		return "", fmt.Errorf("id %q has no room in a bounce address (%d octets before the @)", id, maxLocal)
	}
	return address, nil
}

func bounceMAC(key []byte, id string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte("posthouse bounce 1\x00"))
	h.Write([]byte(id))
	return base32Lower.EncodeToString(h.Sum(nil)[:macBytes])
}

// isBounce tells whether a local part claims to be a bounce address.
func isBounce(local string) bool {
	return len(local) >= len(bouncePrefix) && strings.EqualFold(local[:len(bouncePrefix)], bouncePrefix)
}

// bouncedID gives the id in a bounce address's local part if its MAC is ours.
func bouncedID(key []byte, local string) (id string, ok bool) {
	if !isBounce(local) {
		return "", false
	}
	encoded, mac, ok := strings.Cut(strings.ToLower(local[len(bouncePrefix):]), "+")
	if !ok {
		return "", false
	}
	raw, err := base32Lower.DecodeString(encoded)
	if err != nil {
		return "", false
	}
	return string(raw), hmac.Equal([]byte(mac), []byte(bounceMAC(key, string(raw))))
}
