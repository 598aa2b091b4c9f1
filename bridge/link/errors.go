package link

import (
	"errors"
	"fmt"
	"time"
)

// ErrDown: there is no connection now. The bridge waits for the link and counts no
// attempt.
var ErrDown = errors.New("link is down")

// The refusal codes: the same word in the log, the metric's label, vet and the
// notice to the sender. What each means, and who is told, is in the README's table.
const (
	CodeNoCallsign     = "no-callsign"
	CodeNotText        = "not-text"
	CodeLooksEncrypted = "looks-encrypted"
	CodeTooLong        = "too-long"
	CodeExpired        = "expired"
	CodeLooped         = "looped"
	CodeDuplicate      = "duplicate"
	CodeBlocked        = "blocked"
	CodeTooMany        = "too-many"
	CodeNoRoute        = "no-route"
	CodeThirdParty     = "third-party"
	CodeNotAllowed     = "not-allowed"
	CodeBadSignature   = "bad-signature"
	CodeFull           = "full"
)

// Codes lists every refusal code.
var Codes = []string{
	CodeNoCallsign, CodeNotText, CodeLooksEncrypted, CodeTooLong, CodeExpired, CodeLooped, CodeDuplicate,
	CodeBlocked, CodeTooMany, CodeNoRoute, CodeThirdParty, CodeNotAllowed, CodeBadSignature, CodeFull,
}

// PermanentError ends a delivery at once. Code is a refusal code or a short
// fixed word.
type PermanentError struct {
	Code string
	Err  error
}

// Permanent wraps err as one that no retry can cure.
func Permanent(code string, err error) error { return &PermanentError{Code: code, Err: err} }

func (e *PermanentError) Error() string { return fmt.Sprintf("%v (final)", e.Err) }
func (e *PermanentError) Unwrap() error { return e.Err }

// LaterError is temporary, with the least wait before the next try.
type LaterError struct {
	Wait time.Duration
	Err  error
}

// RetryAfter wraps err as temporary: do not try again before d has passed.
func RetryAfter(d time.Duration, err error) error { return &LaterError{Wait: d, Err: err} }

func (e *LaterError) Error() string { return fmt.Sprintf("%v (not before %v)", e.Err, e.Wait) }
func (e *LaterError) Unwrap() error { return e.Err }
