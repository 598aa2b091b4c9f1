package envelope

import (
	"encoding/base64"
	"errors"
	"fmt"
)

// Presence says that a gateway is alive and serves a mesh. It is a state: the
// latest counts, and a reader calls a gateway alive by the growth of Counter on
// its own clock, never by a time in here.
type Presence struct {
	Mesh    string `json:"mesh"`
	Boot    uint64 `json:"boot"`    // grows with every start of the gateway
	Counter uint64 `json:"counter"` // grows with every presence of this boot
	Up      bool   `json:"up"`      // the link to the mesh is up
	// Transmits: this gateway takes itself for the mesh's transmitter.
	Transmits bool `json:"transmits,omitempty"`
	// Standby: it does so only while no other gateway of the mesh can do better.
	Standby bool `json:"standby,omitempty"`
	// Closed: its clock is wrong, so that it cannot tell what is still worth taking
	// over. Hand nothing to it.
	Closed bool `json:"closed,omitempty"`
	// Hears are the other gateways of the mesh that it hears, and their latest word. A
	// gateway without a clock knows by it that this one was signed since.
	Hears []Word `json:"hears,omitempty"`
	// Gone is set in the will, signed beforehand: it only shortens the wait, and
	// only for the same Boot. Its number is older than that of later presences.
	Gone bool `json:"gone,omitempty"`

	Groups []string `json:"groups,omitempty"` // groups that it carries
	Offers []string `json:"offers,omitempty"` // kinds of its other links: mail, aprs
}

// Word names a presence of a gateway by its numbers.
type Word struct {
	Gateway string `json:"gateway"`
	Boot    uint64 `json:"boot"`
	Counter uint64 `json:"counter"`
}

// maxOffers bounds the lists of a Presence.
const maxOffers = 64

// MaxHears is how many gateways a Presence may name.
const MaxHears = 16

// Type is TypePresence.
func (Presence) Type() string { return TypePresence }

func (p Presence) check(e *Event) error {
	switch {
	case p.Mesh != e.Topic.Name:
		return fmt.Errorf("mesh %q on the topic of %q", clip(p.Mesh), e.Topic.Name)
	case p.Boot > MaxNumber || p.Counter > MaxNumber:
		return errors.New("boot or counter is too large")
	case len(p.Groups) > maxOffers || len(p.Offers) > maxOffers:
		return fmt.Errorf("more than %d groups or offers", maxOffers)
	case len(p.Hears) > MaxHears:
		return fmt.Errorf("more than %d gateways heard", MaxHears)
	}
	for _, w := range p.Hears {
		if !isCall(w.Gateway) || w.Boot > MaxNumber || w.Counter > MaxNumber {
			return fmt.Errorf("the word of %q", clip(w.Gateway))
		}
	}
	for _, g := range p.Groups {
		if !isGroup(g) {
			return fmt.Errorf("group %q", clip(g))
		}
	}
	for _, o := range p.Offers {
		if o == "" || !isCode(o) {
			return fmt.Errorf("offer %q", clip(o))
		}
	}
	return e.byItsWriter(OfPresence)
}

// Heard says that a gateway hears a station. It is a state: the latest counts.
type Heard struct {
	Station   string   `json:"station"`
	Mesh      string   `json:"mesh,omitempty"` // where; empty: not by radio but through a network
	Age       Seconds  `json:"age"`            // how long ago, when this was signed
	Messaging bool     `json:"messaging,omitempty"`
	SNR       *float64 `json:"snr,omitempty"` // dB
}

// Type is TypeHeard.
func (Heard) Type() string { return TypeHeard }

func (h Heard) check(e *Event) error {
	switch {
	case h.Station != e.Topic.Name:
		return fmt.Errorf("station %q on the topic of %q", clip(h.Station), e.Topic.Name)
	case h.Mesh != "" && !isMesh(h.Mesh):
		return fmt.Errorf("mesh %q", clip(h.Mesh))
	case !h.Age.ok():
		return fmt.Errorf("age %d s", h.Age)
	}
	return e.byItsWriter(OfHeard)
}

// Taken names what the transmitter of a mesh has committed since it last said
// so. The gateways of the same mesh end what they hold of it.
type Taken struct {
	Mesh       string `json:"mesh"`
	Identities []Hash `json:"identities,omitempty"` // of messages
	Bodies     []Hash `json:"bodies,omitempty"`     // hash(from, to, body), of texts whose writer gave no id
	Frames     []Hash `json:"frames,omitempty"`     // of frames that it is about to transmit
	// Acks were heard on the mesh by a gateway that did not send what they
	// acknowledge: whichever did is to know.
	Acks []Ack `json:"acks,omitempty"`
}

// Ack is a station's acknowledgement of one frame, as it was heard on a mesh.
type Ack struct {
	Station string `json:"station"`
	To      string `json:"to"`            // whose text it was
	ID      string `json:"id"`            // of the frame
	Nak     bool   `json:"nak,omitempty"` // the station refuses the text
	Why     string `json:"why,omitempty"` // for people, with Nak
}

// Fits tells whether an event may carry it: a mesh may acknowledge what it likes.
func (a Ack) Fits() bool {
	return isCall(a.Station) && isToken(a.ID) && len(a.To) <= longestAddress && len(a.Why) <= maxWhy
}

// longestAddress is that of a mail address (RFC 5321 section 4.5.3.1.3, without
// the angle brackets).
const longestAddress = 254

// MaxAcks is how many acknowledgements one Taken may have.
const MaxAcks = 64

// MaxTaken is how many hashes one list of a Taken may have; send more than one
// event when there are more.
const MaxTaken = 512

// Type is TypeTaken.
func (Taken) Type() string { return TypeTaken }

func (t Taken) check(e *Event) error {
	if t.Mesh != e.Topic.Name {
		return fmt.Errorf("mesh %q on the topic of %q", clip(t.Mesh), e.Topic.Name)
	}
	if max(len(t.Identities), len(t.Bodies), len(t.Frames)) > MaxTaken {
		return fmt.Errorf("more than %d hashes in a list", MaxTaken)
	}
	if len(t.Acks) > MaxAcks {
		return fmt.Errorf("more than %d acknowledgements", MaxAcks)
	}
	for _, a := range t.Acks {
		if !a.Fits() {
			return fmt.Errorf("acknowledgement of %q by %q", clip(a.ID), clip(a.Station))
		}
	}
	return e.on(OfTaken)
}

// Hash is 128 bits of a hash; written in base64url, 22 characters.
type Hash [16]byte

// MarshalText writes base64url without padding.
func (h Hash) MarshalText() ([]byte, error) {
	return base64.RawURLEncoding.AppendEncode(nil, h[:]), nil
}

// UnmarshalText reads it, and nothing else.
func (h *Hash) UnmarshalText(text []byte) error {
	raw, err := unbase64(string(text))
	if err != nil || len(raw) != len(h) {
		return errors.New("a hash is not 16 bytes in base64url")
	}
	copy(h[:], raw)
	return nil
}
