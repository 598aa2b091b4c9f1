package desk

import (
	"errors"
	"fmt"
)

// What a command gets that cannot be carried out; the text says what to do.
var (
	// ErrUsage: it asks for what is not possible.
	ErrUsage = errors.New("not possible")
	// ErrUnknown: it names a message that is not there.
	ErrUnknown = errors.New("no such message")
)

// Refused is the error of a text that the rules refuse.
type Refused struct {
	Code string // one of the refusal codes
	Why  string
}

func (r *Refused) Error() string { return fmt.Sprintf("refused (%s): %s", r.Code, r.Why) }

// Block is one entry of the block list.
type Block struct {
	Pattern string `json:"pattern"`
	Why     string `json:"why,omitempty"`
	Since   string `json:"since,omitempty"` // RFC 3339; empty for one from the settings
}

// LinkState tells how one link is.
type LinkState struct {
	Name      string `json:"name"`
	Kind      string `json:"kind"`
	Up        bool   `json:"up"`
	Quiet     bool   `json:"quiet"` // the operator stopped all sending there
	Why       string `json:"why,omitempty"`
	Trouble   string `json:"trouble,omitempty"`    // what is wrong although it works
	Since     string `json:"since"`                // RFC 3339
	Deaf      string `json:"deaf_since,omitempty"` // up, but nothing was heard since then (RFC 3339), longer than usual
	Elsewhere bool   `json:"elsewhere,omitempty"`  // another process of the hub runs it, and knows how it is
	Transmits bool   `json:"transmits"`            // false: another gateway transmits for this mesh, or it is not settled yet
	// Air is the part of the hour's airtime budget that is used, 1 for all of it;
	// nil: the link is not paced by airtime.
	Air *float64 `json:"air_used_ratio,omitempty"`
}

// Station is one station on the link where it was heard.
type Station struct {
	Call string `json:"call"`
	Link string `json:"link"`
	// Gateway is the far one that hears it, which told its position; empty: this one.
	Gateway string  `json:"gateway,omitempty"`
	Moment          // last heard, by the clock as it is now
	Ago     float64 `json:"ago_seconds"`
	Fresh   bool    `json:"reachable"` // heard lately enough that texts are sent there
	// Answers says that it sent a text or an acknowledgement, or that it takes
	// messages; a weather station never does.
	Answers bool     `json:"answers"`
	SNR     *float64 `json:"snr_db,omitempty"`
	RSSI    *float64 `json:"rssi_dbm,omitempty"`
	Lat     *float64 `json:"lat,omitempty"`
	Lon     *float64 `json:"lon,omitempty"`
}

// Exercise is the exercise that goes on, or that has just been stopped.
type Exercise struct {
	Name  string `json:"name"` // empty: none
	Since Moment `json:"since,omitzero"`
}
