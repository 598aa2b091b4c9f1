package envelope

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// Want is what a receiver expects of an event.
type Want struct {
	Root   string   // the first levels of the trunk's topics
	Topic  string   // the whole topic that the event came on
	Own    string   // the receiver's call sign; empty: our own events count too
	Groups []string // groups that it carries

	Now          time.Time
	ClockTrusted bool
}

// Open takes an event off the wire. It is read only after its signature was
// checked against the trust list, and given back only if it is for this
// receiver, on its own topic, within its lifetime and not going round; on any
// error nothing is. The errors are those of this package: Code tells what to
// count. One that is genuine and refused for its time or its way comes in a
// Refused. The number is left to the receiver's Window for Received.Key.
func Open(wire []byte, trust *Trust, want Want) (*Received, error) {
	s, err := unwrap(wire)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	if s.kid == want.Own {
		return nil, ErrOwn
	}
	key, listed, err := trust.signer(s)
	if err != nil {
		return nil, err
	}
	e, err := decode(s.payload, want.Root)
	if err != nil {
		return nil, unreadable(s.kid, err)
	}
	if e.Source != s.kid {
		return nil, fmt.Errorf("%w: %s signs for %s", ErrSource, s.kid, e.Source)
	}
	if _, isText := e.Body.(Text); !listed && !isText {
		return nil, fmt.Errorf("%w: %s is not in _TRUST_FILE and sends a %s", ErrUnlisted, s.kid, e.Body.Type())
	}
	if err := want.place(e); err != nil {
		return nil, err
	}
	r := &Received{Event: *e, Key: key, Listed: listed}
	if err := want.judge(e); err != nil {
		return nil, &Refused{r, err}
	}
	return r, nil
}

// signer finds the key that signed. A gateway on the list is held to the keys
// there, whatever it brings along.
func (t *Trust) signer(s *sealed) (key PublicKey, listed bool, err error) {
	if t.Knows(s.kid) {
		for _, key := range t.keys[s.kid] {
			if s.verify(key) {
				return key, true, nil
			}
		}
		return PublicKey{}, false, fmt.Errorf("%w: %s", ErrSignature, s.kid)
	}
	switch {
	case t == nil || !t.Any:
		return PublicKey{}, false, fmt.Errorf("%w: %s is not in _TRUST_FILE", ErrUnlisted, s.kid)
	case s.key == nil:
		return PublicKey{}, false, fmt.Errorf("%w: %s is not in _TRUST_FILE and brings no key", ErrUnlisted, s.kid)
	case !s.verify(*s.key):
		return PublicKey{}, false, fmt.Errorf("%w: %s", ErrSignature, s.kid)
	}
	return *s.key, false, nil
}

// unreadable says why a signed payload is no event.
func unreadable(kid string, err error) error {
	for _, reason := range []error{ErrTopic, ErrSource, ErrUnknown} {
		if errors.Is(err, reason) {
			return fmt.Errorf("from %s: %w", kid, err)
		}
	}
	return fmt.Errorf("%w: from %s: %w", ErrMalformed, kid, err)
}

// place tells whether the event was meant to come here.
func (w *Want) place(e *Event) error {
	topic, err := e.Topic.Under(e.Root)
	switch {
	case err != nil || topic != w.Topic:
		return fmt.Errorf("%w: signed for %s, came on %s", ErrTopic, topic, clip(w.Topic))
	case e.Topic.Kind == InInbox && e.Topic.Name != w.Own:
		return fmt.Errorf("%w: the inbox of %s", ErrTopic, e.Topic.Name)
	case e.Topic.Kind == InGroup && !slices.Contains(w.Groups, e.Topic.Name):
		return fmt.Errorf("%w: group %s is not carried here", ErrTopic, e.Topic.Name)
	}
	return nil
}

// judge looks at time and way. A loop is no matter of clocks.
func (w *Want) judge(e *Event) error {
	if t, ok := e.Body.(Text); ok && w.looped(e, t) {
		return ErrLooped
	}
	if e.Signed.IsZero() {
		return nil // its sender has no clock: only the number protects
	}
	err := error(nil)
	switch {
	case w.Now.After(e.Expires()):
		err = ErrExpired
	case e.Signed.After(w.Now.Add(MaxSkew)):
		err = ErrFuture
	}
	if err != nil && !w.ClockTrusted {
		return ErrSkew
	}
	return err
}

// looped: a group text never passes a gateway twice. A direct one may come back,
// since stations roam, but not for ever.
func (w *Want) looped(e *Event, t Text) bool {
	return len(t.Hops) > MaxHandOvers || e.Topic.Kind == InGroup && slices.Contains(t.Hops, w.Own)
}
