package config

import (
	"fmt"
	"io"
	"log/slog"
)

// Secret holds a password and prints as *** wherever it may end up; only Reveal
// gives the value. It is behind a pointer, so that even a printer that walks
// into unexported fields finds an address there and not the word.
type Secret struct{ value *string }

// NewSecret wraps a value; the empty string gives the zero Secret.
func NewSecret(s string) Secret {
	if s == "" {
		return Secret{}
	}
	return Secret{&s}
}

// Reveal gives the value itself, for the one place that hands it over.
func (s Secret) Reveal() string {
	if s.value == nil {
		return ""
	}
	return *s.value
}

// IsZero tells that no secret is set.
func (s Secret) IsZero() bool { return s.value == nil }

// String gives ***, or nothing when no secret is set.
func (s Secret) String() string {
	if s.IsZero() {
		return ""
	}
	return "***"
}

// GoString, Format, LogValue and MarshalText close the other ways out: %#v and
// every other verb, slog, and JSON with all that goes through text.
func (s Secret) GoString() string { return s.String() }

// Format prints the same for every verb.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, s.String()) }

// LogValue is what slog prints.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText is what JSON and other encoders get.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }
