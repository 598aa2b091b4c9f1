package envelope

import (
	"fmt"
	"time"
)

// Position is where a station is, on a group's topic. Far gateways show it; only
// the one that heard it, the source, hands it on to APRS.
type Position struct {
	Station   string   `json:"station"`
	Mesh      string   `json:"mesh,omitempty"`
	Lat       float64  `json:"lat"`           // degrees, WGS 84, north positive
	Lon       float64  `json:"lon"`           // degrees, east positive
	Alt       *float64 `json:"alt,omitempty"` // metres above mean sea level
	Age       Seconds  `json:"age"`           // when it was there, counted back from the signing
	Ambiguity int      `json:"ambiguity,omitempty"`
	Comment   string   `json:"comment,omitempty"`
	Messaging bool     `json:"messaging,omitempty"`
	SNR       *float64 `json:"snr,omitempty"` // dB
}

// maxComment bounds the comment of a Position, in bytes.
const maxComment = 256

// Type is TypePosition.
func (Position) Type() string { return TypePosition }

func (p Position) check(e *Event) error {
	switch {
	case !isCall(p.Station):
		return fmt.Errorf("station %q is not a call sign", clip(p.Station))
	case p.Mesh != "" && !isMesh(p.Mesh):
		return fmt.Errorf("mesh %q", clip(p.Mesh))
	case !(p.Lat >= -90 && p.Lat <= 90 && p.Lon >= -180 && p.Lon <= 180):
		return fmt.Errorf("position %g, %g is not on the earth", p.Lat, p.Lon)
	case !p.Age.ok():
		return fmt.Errorf("age %d s", p.Age)
	case p.Ambiguity < 0 || p.Ambiguity > 4:
		return fmt.Errorf("ambiguity %d", p.Ambiguity)
	case len(p.Comment) > maxComment:
		return fmt.Errorf("comment has %d bytes, more than %d", len(p.Comment), maxComment)
	}
	return e.on(InGroup)
}

// Seconds is a time span in whole seconds, as it is written.
type Seconds int64

// SecondsOf rounds a span down; what lies in the future is now.
func SecondsOf(d time.Duration) Seconds { return Seconds(max(d, 0) / time.Second) }

// Duration is the span as the program counts it.
func (s Seconds) Duration() time.Duration { return time.Duration(s) * time.Second }

func (s Seconds) ok() bool { return s >= 0 && s <= Seconds(MaxLifetime/time.Second) }
