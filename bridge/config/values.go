package config

import (
	"fmt"
	"time"
)

// Route sends what matches Pattern (a call sign or mail address, * for any
// characters) to Link.
type Route struct{ Pattern, Link string }

// Allow lets mail from Pattern (an address, * for any characters) on to radio.
// Call is the sender's call sign; empty: the sender has none (third party).
type Allow struct{ Pattern, Call string }

// Rate is a limit of Count in any Per.
type Rate struct {
	Count int
	Per   time.Duration
}

// Aliases give the address that a short name, in capitals, stands for.
type Aliases map[string]string

// String gives the form that is read: 20/10m0s.
func (r Rate) String() string { return fmt.Sprintf("%d/%v", r.Count, r.Per) }
