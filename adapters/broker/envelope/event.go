package envelope

import (
	"encoding/json"
	"fmt"
	"time"

	"posthouse/bridge/callsign"
)

// Limits of an event.
const (
	MaxWire      = 64 << 10            // bytes on the wire; CloudEvents 1.0 asks everyone to carry that much
	MaxID        = 64                  // bytes of an id
	MaxNumber    = 1<<53 - 1           // the largest integer that every JSON reader keeps (RFC 8259 section 6)
	MaxLifetime  = 31 * 24 * time.Hour // a receiver remembers ids that long
	MaxHandOvers = 8                   // gateways that a message may pass
)

// MaxSkew is how far ahead of ours a gateway's clock may be. A clock counts as
// trusted while it is within an hour of what it should be.
const MaxSkew = time.Hour

// Event is one thing that a gateway tells another, a group, or all.
type Event struct {
	// ID is the sender's own: for a message its accept id. It is the same at
	// every resend, and no other event of this gateway has it.
	ID string
	// Source is the call sign of the gateway that signs.
	Source string
	// Root is the first levels of the trunk's topics, Topic the rest.
	Root  string
	Topic Topic
	// Number grows with every event that a key signs, resends included.
	Number uint64
	// Signed is when it was signed, UTC, whole milliseconds; zero when the
	// sender does not trust its clock.
	Signed time.Time
	// Lifetime is how long it is worth something from then on, whole seconds.
	Lifetime time.Duration
	// Body is one of Text, Notice, Receipt, Custody, Position, Presence, Heard
	// and Taken.
	Body Body
}

// Expires is when the event is worth nothing any more; zero when its sender did
// not trust its clock: count Lifetime from the arrival then.
func (e *Event) Expires() time.Time {
	if e.Signed.IsZero() {
		return time.Time{}
	}
	return e.Signed.Add(e.Lifetime)
}

// Received is an event whose signature holds.
type Received struct {
	Event
	Key    PublicKey // the key that signed it: its Window is the one to ask
	Listed bool      // the key is on the trust list; else the event is a text
}

// NextNumber gives the number after last: it grows over restarts, and over a
// restored backup, as long as the clock is about right.
func NextNumber(last uint64, now time.Time) uint64 {
	return max(last+1, uint64(max(now.UnixMilli(), 0)))
}

// timeLayout is RFC 3339 in UTC with milliseconds.
const timeLayout = "2006-01-02T15:04:05.000Z"

// cloudEvent is the event as it is written.
type cloudEvent struct {
	SpecVersion string          `json:"specversion"`
	Type        string          `json:"type"`
	Source      string          `json:"source"`
	ID          string          `json:"id"`
	Topic       string          `json:"topic"`
	Sequence    string          `json:"sequence"`
	Time        string          `json:"time,omitempty"`
	ExpiryTime  string          `json:"expirytime,omitempty"`
	Lifetime    int32           `json:"lifetime,omitempty"` // seconds
	Data        json.RawMessage `json:"data"`
}

// encode writes the payload.
func (e *Event) encode() ([]byte, error) {
	topic, err := e.Topic.Under(e.Root)
	if err != nil {
		return nil, err
	}
	if err := e.check(); err != nil {
		return nil, err
	}
	data, err := compact(e.Body)
	if err != nil {
		return nil, fmt.Errorf("writing the data: %w", err)
	}
	c := cloudEvent{
		SpecVersion: "1.0", Type: e.Body.Type(), Source: e.Source, ID: e.ID, Topic: topic,
		Sequence: fmt.Sprintf("%016d", e.Number), Data: data,
	}
	if e.Signed.IsZero() {
		c.Lifetime = int32(e.Lifetime / time.Second)
	} else {
		c.Time = e.Signed.UTC().Format(timeLayout)
		c.ExpiryTime = e.Expires().UTC().Format(timeLayout)
	}
	return compact(c)
}

// decode reads a payload whose signature holds. Root is ours: an event of
// another root does not fit its topic.
func decode(payload []byte, root string) (*Event, error) {
	if err := strict(payload, isMember); err != nil {
		return nil, err
	}
	var c cloudEvent
	if err := json.Unmarshal(payload, &c); err != nil {
		return nil, err
	}
	if c.SpecVersion != "1.0" {
		return nil, fmt.Errorf("specversion is %q, not 1.0", c.SpecVersion)
	}
	e := &Event{ID: c.ID, Source: c.Source, Root: root}
	var err error
	if e.Topic, err = ParseTopic(root, c.Topic); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrTopic, err)
	}
	if e.Number, err = parseNumber(c.Sequence); err != nil {
		return nil, err
	}
	if e.Signed, e.Lifetime, err = c.times(); err != nil {
		return nil, err
	}
	if e.Body, err = decodeBody(c.Type, c.Data); err != nil {
		return nil, err
	}
	return e, e.check()
}

// parseNumber reads 16 digits.
func parseNumber(s string) (n uint64, err error) {
	if len(s) != 16 {
		return 0, fmt.Errorf("sequence has %d characters, not 16 digits", len(s))
	}
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return 0, fmt.Errorf("sequence has other characters than digits")
		}
		n = 10*n + uint64(s[i]-'0')
	}
	return n, nil
}

// times reads either time and expirytime, or lifetime.
func (c *cloudEvent) times() (signed time.Time, life time.Duration, err error) {
	if c.Time == "" && c.ExpiryTime == "" {
		return time.Time{}, time.Duration(c.Lifetime) * time.Second, nil
	}
	if c.Lifetime != 0 {
		return time.Time{}, 0, fmt.Errorf("both time and lifetime")
	}
	if signed, err = time.Parse(time.RFC3339, c.Time); err != nil {
		return time.Time{}, 0, fmt.Errorf("time: %w", err)
	}
	expires, err := time.Parse(time.RFC3339, c.ExpiryTime)
	if err != nil {
		return time.Time{}, 0, fmt.Errorf("expirytime: %w", err)
	}
	signed = signed.UTC().Truncate(time.Millisecond)
	return signed, expires.Sub(signed).Truncate(time.Second), nil
}

// check holds an event to the limits, whether it is ours or a stranger's.
func (e *Event) check() error {
	switch {
	case !isCall(e.Source):
		return fmt.Errorf("source %q is not a call sign", clip(e.Source))
	case !isToken(e.ID):
		return fmt.Errorf("id %q is not 1 to %d printable ASCII characters", clip(e.ID), MaxID)
	case e.Number == 0 || e.Number > MaxNumber:
		return fmt.Errorf("number %d is not 1 to %d", e.Number, uint64(MaxNumber))
	case e.Lifetime < time.Second || e.Lifetime > MaxLifetime:
		return fmt.Errorf("lifetime %v is not 1s to %v", e.Lifetime, MaxLifetime)
	case e.Body == nil:
		return fmt.Errorf("the event has no body")
	}
	if !e.Signed.IsZero() && (e.Signed.Year() < 1970 || e.Signed.Year() > 9998) {
		return fmt.Errorf("time in the year %d", e.Signed.Year())
	}
	if err := e.Body.check(e); err != nil {
		return fmt.Errorf("%s: %w", e.Body.Type(), err)
	}
	return nil
}

// isCall tells whether s is a call sign in canonical form.
func isCall(s string) bool {
	c, err := callsign.ParseLong(s)
	return err == nil && c.String() == s
}

// isToken tells whether s can be an id: visible ASCII without spaces.
func isToken(s string) bool {
	for i := range len(s) {
		if s[i] <= ' ' || s[i] > '~' {
			return false
		}
	}
	return s != "" && len(s) <= MaxID
}

// clip shortens a stranger's word for an error text.
func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}
