package airtime

import (
	"fmt"
	"strings"
)

// LDRO says how low data rate optimisation is set. The zero value is auto.
type LDRO uint8

// The settings of low data rate optimisation.
const (
	LDROAuto LDRO = iota
	LDROOn
	LDROOff
)

var ldroNames = [...]string{"auto", "on", "off"}

// String gives auto, on or off.
func (l LDRO) String() string {
	if int(l) < len(ldroNames) {
		return ldroNames[l]
	}
	return fmt.Sprintf("ldro(%d)", uint8(l))
}

// MarshalText gives the name, for flags and settings.
func (l LDRO) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads a name in any case.
func (l *LDRO) UnmarshalText(b []byte) error {
	for i, name := range ldroNames {
		if strings.EqualFold(string(b), name) {
			*l = LDRO(i)
			return nil
		}
	}
	return fmt.Errorf("low data rate optimisation %q is none of auto, on, off", b)
}

// ParseCR reads a coding rate, `4/5` to `4/8`, and gives its denominator. The
// denominator alone will do.
func ParseCR(s string) (int, error) {
	switch d := strings.TrimPrefix(s, "4/"); d {
	case "5", "6", "7", "8":
		return int(d[0] - '0'), nil
	}
	return 0, fmt.Errorf("coding rate %q is none of 4/5, 4/6, 4/7, 4/8", s)
}
