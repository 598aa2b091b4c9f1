package envelope

import (
	"errors"

	"posthouse/bridge/link"
)

// failure is a reason with the refusal code that it counts under; none for what
// is passed over in silence.
type failure struct{ code, text string }

func (f *failure) Error() string { return f.text }

// Why an event is not taken. Each may be wrapped with detail: ask with
// errors.Is.
var (
	// What nobody can be held to: drop it, answer nothing.
	ErrMalformed error = &failure{link.CodeBadSignature, "not an event of the trunk"}
	ErrUnlisted  error = &failure{link.CodeBadSignature, "the gateway is not trusted with this"}
	ErrSignature error = &failure{link.CodeBadSignature, "the signature is not the gateway's"}
	ErrSource    error = &failure{link.CodeBadSignature, "signed by one gateway in the name of another"}
	ErrTopic     error = &failure{link.CodeBadSignature, "published for another place"}

	// What is genuine and still not wanted; it comes in a Refused.
	ErrExpired error = &failure{link.CodeExpired, "its lifetime is over"}
	ErrFuture  error = &failure{link.CodeExpired, "it comes from the future"}
	ErrLooped  error = &failure{link.CodeLooped, "it has been here, or too often handed on"}

	// What is neither taken nor refused. Skew: it would be refused for its time
	// alone, and our own clock is not trusted; the sender tries again.
	ErrSkew   error = &failure{"", "its time cannot be judged, our clock is not trusted"}
	ErrReplay error = &failure{"", "its number was seen, or is too old to tell"}
	ErrOwn    error = &failure{"", "our own event"}
	// A listed gateway of another version says something new.
	ErrUnknown error = &failure{"", "an event of a type that is not known here"}
)

// Code gives the refusal code that an error of this package counts under; empty
// when the event is no refusal: drop it, or for ErrSkew wait for it to return.
func Code(err error) string {
	f, ok := errors.AsType[*failure](err)
	if !ok {
		return ""
	}
	return f.code
}

// Refused is the error for an event that is genuine and meant for us, and not to
// be taken over: it can be answered.
type Refused struct {
	Received *Received
	Err      error // ErrExpired, ErrFuture, ErrSkew or ErrLooped
}

func (r *Refused) Error() string { return r.Received.ID + ": " + r.Err.Error() }
func (r *Refused) Unwrap() error { return r.Err }
