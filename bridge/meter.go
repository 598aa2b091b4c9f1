package bridge

import "time"

// Meter counts what happens. Labels are link names, refusal codes and other
// fixed words, never call signs.
type Meter interface {
	Accepted(link string)
	Refused(link, rule string)
	Dropped(link, reason string) // unreadable, or not for us, before accept
	Delivery(link, result string)
	DeliveryTime(d time.Duration) // accept to confirmed
	SendTime(link string, d time.Duration)
	LinkUp(link string, up bool)
	LinkHeard(link string, at time.Time)
	Reconnected(link string)
	TrustBroken(link string, broken bool) // the file of a trunk's believed gateways
	Airtime(link string, usedRatio float64)
	AirtimeWait(link string, expected time.Duration) // until all that waits on the link has gone
	AirtimeSpent(link string, d time.Duration)
	StationsHeard(link string, n int)
	Clock(trusted bool)
	JournalLost(lines int) // transmissions that could not be written down
}
