package airtime

import (
	"fmt"
	"time"
)

// Limits are the settings of a link's budget, in percent of an hour.
type Limits struct {
	Airtime float64 // of the channel, that our traffic may fill, repeats included; over 0, to 100
	Reserve float64 // percent of Airtime that is kept for emergency; from 0 to below 100
	Duty    float64 // of the node's own transmitter, for all traffic; 0: no limit
	Repeats int     // transmissions that one frame causes within hearing, 1 to 100
}

const (
	window = time.Hour
	// senderPart of the budget is the most that one sender gets, noticePart that
	// of all notices together; oldPart is kept for what has waited longer than Old.
	senderPart = 4
	noticePart = 20
	oldPart    = 10
)

// Old is the wait from which a routine or welfare frame counts as having waited
// too long.
const Old = 2 * time.Hour

// Validate names the field that is wrong, and what it may be.
func (l Limits) Validate() error {
	switch {
	case !(l.Airtime > 0 && l.Airtime <= 100):
		return fmt.Errorf("airtime %v: the airtime is over 0 and at most 100 percent of an hour", l.Airtime)
	case !(l.Reserve >= 0 && l.Reserve < 100):
		return fmt.Errorf("reserve %v: the reserve is 0 to below 100 percent of the airtime", l.Reserve)
	case !(l.Duty >= 0 && l.Duty <= 100):
		return fmt.Errorf("duty %v: the duty cycle is at most 100 percent of an hour, or 0 for no limit", l.Duty)
	case l.Repeats < 1 || l.Repeats > 100:
		return fmt.Errorf("repeats %d: the transmissions that one frame causes are 1 to 100", l.Repeats)
	}
	return nil
}

func (l Limits) budget() time.Duration { return time.Duration(l.Airtime / 100 * float64(window)) }

// ordinary is the budget of all but emergencies.
func (l Limits) ordinary() time.Duration {
	return time.Duration(float64(l.budget()) * (1 - l.Reserve/100))
}

func (l Limits) duty() time.Duration { return time.Duration(l.Duty / 100 * float64(window)) }

// channel is what one transmission costs on the channel, repeats included.
func (l Limits) channel(cost time.Duration) time.Duration {
	return min(max(cost, 0), longest) * time.Duration(l.Repeats)
}
