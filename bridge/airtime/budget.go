package airtime

import (
	"fmt"
	"math"
	"sync"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// Request is one frame that wants to go out.
type Request struct {
	Cost       time.Duration // of one transmission: Params.TimeOnAir
	Precedence message.Precedence
	Sender     string        // who wrote it: all frames of one sender share
	Notice     bool          // the gateway's own word
	Waited     time.Duration // since it was accepted
}

// Reason says what a frame waits for.
type Reason string

// The reasons. Go is none.
const (
	Go            Reason = ""
	BudgetUsed    Reason = "budget"         // the hour's airtime is used up
	ReserveKept   Reason = "reserve"        // what is left of it is kept for emergency
	DutyUsed      Reason = "duty"           // the transmitter's own limit is reached
	SenderShare   Reason = "sender's share" // a quarter of the budget went to this sender
	NoticeShare   Reason = "notice share"   // notices have had their part
	NeverPossible Reason = "too long"       // one frame costs more than may ever be used
)

// Never is the waiting time of a frame that can never go.
const Never time.Duration = math.MaxInt64

// Budget paces one link. It is safe for concurrent use; what Wait or Next has
// let go is spent by the same goroutine before it asks again.
type Budget struct {
	limits   Limits
	spending sync.Mutex // held over a whole Spend, its commit included

	mu     sync.Mutex
	ledger ledger
	block  block
}

// New makes a budget of which nothing is used.
func New(l Limits) (*Budget, error) {
	if err := l.Validate(); err != nil {
		return nil, err
	}
	return &Budget{limits: l}, nil
}

// Wait says how long a frame has to wait for airtime, and what for; 0 and Go
// when it may go now. It does not look at other frames: Next does.
func (b *Budget) Wait(now clock.Age, r Request) (time.Duration, Reason) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	return b.limits.wait(b.ledger, now, r)
}

// Used is the part of the hour's budget that is used, 1 for all of it.
// Emergencies can bring it above 1.
func (b *Budget) Used(now clock.Age) float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	return float64(b.ledger.sum(allChannel)) / float64(b.limits.budget())
}

// TooLong tells whether a frame of that cost can never go: it costs more than
// the budget less its reserve, or than the duty limit.
func (b *Budget) TooLong(cost time.Duration) bool {
	return b.limits.channel(cost) > b.limits.ordinary() || b.limits.Duty > 0 && cost > b.limits.duty()
}

// Exhaust counts the whole hour as used, the transmitter's duty too: for when
// what was used can't be known.
func (b *Budget) Exhaust(now clock.Age) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.add(entry{Until: counted(now, 0), Channel: b.limits.budget(), Own: b.limits.duty(), Class: anyone})
}

// share is one of the limits that a frame must keep.
type share struct {
	why    Reason
	max    time.Duration
	cost   time.Duration // what the frame adds
	counts func(*entry) time.Duration
	one    bool // a share smaller than a frame still lets one through an hour
}

// shares lists the limits that a frame must keep. An emergency has but the
// transmitter's own.
func (l Limits) shares(r Request) []share {
	cost := l.channel(r.Cost)
	list := make([]share, 0, 4)
	if l.Duty > 0 {
		list = append(list, share{DutyUsed, l.duty(), min(max(r.Cost, 0), longest), allOwn, false})
	}
	if r.Precedence == message.Emergency {
		return list
	}
	list = append(list,
		share{BudgetUsed, l.budget(), cost, allChannel, false},
		share{ReserveKept, l.ordinary(), cost, ordinary, false})
	if r.Notice {
		return append(list, share{NoticeShare, l.budget() / noticePart, cost, notices, true})
	}
	return append(list, share{SenderShare, l.budget() / senderPart, cost, ofSender(r.Sender), true})
}

// wait finds the share that holds a frame up longest.
func (l Limits) wait(led ledger, now clock.Age, r Request) (time.Duration, Reason) {
	at, why := now, Go
	for _, s := range l.shares(r) {
		free, ok := s.free(led, now)
		if !ok {
			return Never, NeverPossible
		}
		if free > at {
			at, why = free, s.why
		}
	}
	return at.Sub(now), why
}

// free says when there is room for the frame; false for never.
func (s share) free(led ledger, now clock.Age) (clock.Age, bool) {
	used := led.sum(s.counts)
	fits := func() bool { return used+s.cost <= s.max || s.one && used == 0 }
	if fits() {
		return now, true
	}
	for i := range led {
		used -= s.counts(&led[i])
		if fits() {
			return led[i].Until, true
		}
	}
	return 0, false
}

// Spend takes the airtime of one frame that Wait or Next has let go. The frame
// may go out only if Spend returns nil. From time to time the airtime has to be
// on disk first: Spend then calls commit with the bytes to store, and takes
// nothing if that fails.
func (b *Budget) Spend(now clock.Age, r Request, commit func([]byte) error) error {
	b.spending.Lock()
	defer b.spending.Unlock()
	own := min(max(r.Cost, 0), longest)
	if next, saved, ok := b.needsBlock(now, own); ok {
		if err := commit(saved); err != nil {
			return fmt.Errorf("committing airtime: %w", err)
		}
		b.mu.Lock()
		b.block = next
		b.mu.Unlock()
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.block.Own -= own
	channel := b.limits.channel(own)
	b.ledger.add(entry{Until: counted(now, channel), Channel: channel, Own: own, Sender: r.Sender, Class: classOf(r)})
	return nil
}
