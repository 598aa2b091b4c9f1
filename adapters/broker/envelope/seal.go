package envelope

import "fmt"

// Seal signs an event and gives what to publish on its topic. Each transmission
// is sealed anew, with the next number and what is left of the lifetime. It
// fails for an event that no reader would take: ErrLooped when it has passed too
// many gateways, else an error that names the member; and when it has more than
// MaxWire bytes.
func Seal(key Key, e Event) ([]byte, error) {
	if key.IsZero() {
		return nil, errNoKey
	}
	payload, err := e.encode()
	if err != nil {
		return nil, fmt.Errorf("sealing event %s: %w", clip(e.ID), err)
	}
	t, isText := e.Body.(Text)
	if isText && len(t.Hops) > MaxHandOvers {
		return nil, fmt.Errorf("sealing event %s: %w", e.ID, ErrLooped)
	}
	wire, err := wrap(key, e.Source, isText, payload)
	if err != nil {
		return nil, fmt.Errorf("sealing event %s: %w", e.ID, err)
	}
	if len(wire) > MaxWire {
		return nil, fmt.Errorf("sealing event %s: %d bytes, more than %d", e.ID, len(wire), MaxWire)
	}
	return wire, nil
}
