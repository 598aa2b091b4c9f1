// Package report turns the station log of a span into a report for people who
// were not at the radio: how much there was by precedence and kind, what of it
// arrived and how fast, a time line, each message's story, and what stayed
// undelivered and why. It is pure: lines come from the log, one after another,
// and everything that it says is counted from them alone.
package report
