package desk

import (
	"fmt"
	"time"
)

// Moment is a time for people, in UTC, with the word whether the clock that
// gave it was trusted.
type Moment struct {
	At     time.Time `json:"at"`
	Unsure bool      `json:"clock_not_trusted,omitempty"`
}

// Layouts of times for people, UTC (RFC 3339 with a blank for the T).
const (
	dayLayout   = "2006-01-02"
	clockLayout = "15:04:05Z"
)

// IsZero tells that there is no moment.
func (m Moment) IsZero() bool { return m.At.IsZero() }

// String gives day and time; a question mark says that the clock was not
// trusted.
func (m Moment) String() string { return m.Day() + " " + m.Clock() }

// Day gives the day.
func (m Moment) Day() string {
	if m.IsZero() {
		return "-"
	}
	return m.At.UTC().Format(dayLayout)
}

// Clock gives the time of day, marked when the clock was not trusted.
func (m Moment) Clock() string {
	switch {
	case m.IsZero():
		return "-"
	case m.Unsure:
		return m.At.UTC().Format(clockLayout) + "?"
	}
	return m.At.UTC().Format(clockLayout)
}

// Brief gives a length of time in at most six characters: 5s, 12m, 3h05m, 2d04h.
func Brief(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%ds", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%dm", d/time.Minute)
	case d < 24*time.Hour:
		return fmt.Sprintf("%dh%02dm", d/time.Hour, d%time.Hour/time.Minute)
	case d < 1000*24*time.Hour:
		return fmt.Sprintf("%dd%02dh", d/(24*time.Hour), d%(24*time.Hour)/time.Hour)
	}
	return fmt.Sprintf("%dd", d/(24*time.Hour))
}
