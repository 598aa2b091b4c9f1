package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/desk"
)

// spanFlags are --since and --until.
type spanFlags struct {
	Since string `placeholder:"TIME" help:"From this time on: 2026-11-25T14:05Z, 2026-11-25 (UTC), or 24h and 7d for so long ago."`
	Until string `placeholder:"TIME" help:"Up to this time, exclusive; default now."`
}

// span reads the flags; without a flag that end is open.
func (f spanFlags) span(now time.Time) (s desk.Span, err error) {
	if s.Since, err = moment("--since", f.Since, now); err != nil {
		return s, err
	}
	if s.Until, err = moment("--until", f.Until, now); err != nil {
		return s, err
	}
	if !s.Since.IsZero() && !s.Until.IsZero() && !s.Since.Before(s.Until) {
		return s, fail(exitUsage, fmt.Errorf("--since %s is not before --until %s", f.Since, f.Until))
	}
	return s, nil
}

// The forms in which a time may be written. A time of day needs its zone.
var timeForms = []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00", "2006-01-02"}

func moment(flag, text string, now time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, form := range timeForms {
		if t, err := time.Parse(form, text); err == nil {
			return t.UTC(), nil
		}
	}
	if ago, ok := length(text); ok {
		return now.Add(-ago).UTC(), nil
	}
	return time.Time{}, fail(exitUsage, fmt.Errorf("%s %q is no time: write 2026-11-25T14:05Z (the Z is for UTC), 2026-11-25, or 24h or 7d for so long ago", flag, text))
}

// length reads a length of time, in days too.
func length(text string) (time.Duration, bool) {
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.ParseUint(days, 10, 16)
		return time.Duration(n) * 24 * time.Hour, err == nil
	}
	d, err := time.ParseDuration(text)
	return d, err == nil && d > 0
}
