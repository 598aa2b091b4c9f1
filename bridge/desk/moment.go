package desk

import "time"

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
