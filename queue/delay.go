package queue

import (
	"time"

	"posthouse/bridge/message"
)

// The first wait after a temporary error, and the longest. RFC 5321 section
// 4.5.4.1 asks a mail sender for two tries in the first hour and then one every
// two to three hours; radio users wait less patiently, so the ceiling is lower.
const (
	firstDelay   = 15 * time.Second
	longestDelay = 30 * time.Minute
)

// Delay is the wait after so many failed tries: it doubles from 15 s to 30 min (5 min
// for an emergency), give or take a twentieth by scatter, any number, so that what
// failed together is not tried together.
func Delay(failed int, p message.Precedence, scatter uint64) time.Duration {
	longest := longestDelay
	if p == message.Emergency {
		longest = 5 * time.Minute
	}
	d := firstDelay
	for i := 1; i < failed && d < longest; i++ {
		d *= 2
	}
	d = min(d, longest)
	return d - d/20 + time.Duration(scatter%uint64(d/10))
}

// Doubled is the wait for an acknowledgement in round n (from 1): first, doubled each
// time, limit at most.
func Doubled(first time.Duration, n int, limit time.Duration) time.Duration {
	d := first
	for i := 1; i < n && d < limit; i++ {
		d *= 2
	}
	return min(d, limit)
}
