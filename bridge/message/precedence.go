package message

import (
	"fmt"
	"strings"
)

// Precedence is the order of sending in amateur traffic handling: emergency
// first (source: published training texts of amateur traffic handling, listed
// in testdata/SOURCES.md). The zero value means that none was given.
type Precedence uint8

// The precedences, the most urgent first. A smaller value is sent first.
const (
	Unset Precedence = iota
	Emergency
	Priority
	Welfare
	Routine
)

// Precedences lists them in order of sending.
var Precedences = [...]Precedence{Emergency, Priority, Welfare, Routine}

var precedenceNames = [...]string{"", "emergency", "priority", "welfare", "routine"}

// String gives the name in lower case; Unset gives the empty string.
func (p Precedence) String() string {
	if int(p) < len(precedenceNames) {
		return precedenceNames[p]
	}
	return fmt.Sprintf("precedence(%d)", uint8(p))
}

// ParsePrecedence reads a name in any case. EMERGENCY has no short form, so that nobody
// sends one by mistake.
func ParsePrecedence(s string) (Precedence, error) {
	for i, name := range precedenceNames {
		if i > 0 && strings.EqualFold(s, name) {
			return Precedence(i), nil
		}
	}
	return Unset, fmt.Errorf("precedence %q is none of emergency, priority, welfare, routine", s)
}

// MarshalText and UnmarshalText give the name, for JSON and settings.
func (p Precedence) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads what MarshalText wrote; the empty text is Unset.
func (p *Precedence) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*p = Unset
		return nil
	}
	v, err := ParsePrecedence(string(b))
	if err != nil {
		return err
	}
	*p = v
	return nil
}
