package airtime

import (
	"cmp"
	"slices"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

const (
	// slot is how finely the ledger keeps time. What was spent in a slot counts
	// until the whole slot is an hour old.
	slot = time.Minute
	// slotEntries bounds the entries of one slot. The last of them counts against
	// everybody.
	slotEntries = 16
)

// entry is airtime that was spent, and counts until an age.
type entry struct {
	_       struct{}      `cbor:",toarray"`
	Until   clock.Age     // it counts before this
	Channel time.Duration // repeats included
	Own     time.Duration // of the node's own transmitter
	Sender  string
	Class   class
}

// class says in which shares an entry counts.
type class uint8

const (
	emergency class = 1 << iota
	notice
	old
	anyone // it is not known whose: counts in every share, and not as emergency
)

// ledger holds the entries of the last hour, the first to end first.
type ledger []entry

// counted gives the age at which airtime that starts at one ends to count: an
// hour after the last repeat can have ended, at the end of that slot.
func counted(from clock.Age, channel time.Duration) clock.Age {
	const ms = clock.Age(slot / time.Millisecond)
	end := from.Add(channel+window+time.Millisecond) + ms - 1
	return end - end%ms
}

// add enters airtime, together with what counts in the same way.
func (l *ledger) add(e entry) {
	first, _ := slices.BinarySearchFunc(*l, e, func(a, b entry) int { return cmp.Compare(a.Until, b.Until) })
	at := first
	for ; at < len(*l) && (*l)[at].Until == e.Until; at++ {
		full := at-first >= slotEntries-1
		if same := &(*l)[at]; same.Sender == e.Sender && same.Class == e.Class || full && same.Class == anyone {
			same.Channel += e.Channel
			same.Own += e.Own
			return
		}
	}
	if at-first >= slotEntries-1 {
		e.Sender, e.Class = "", anyone
	}
	*l = slices.Insert(*l, at, e)
}

// expire takes out what no longer counts.
func (l *ledger) expire(now clock.Age) {
	n := 0
	for n < len(*l) && (*l)[n].Until <= now {
		n++
	}
	*l = slices.Delete(*l, 0, n)
}

// sum adds up what a share counts.
func (l ledger) sum(counts func(*entry) time.Duration) (total time.Duration) {
	for i := range l {
		total += counts(&l[i])
	}
	return total
}

// What the shares count.

func allOwn(e *entry) time.Duration      { return e.Own }
func allChannel(e *entry) time.Duration  { return e.Channel }
func ordinary(e *entry) time.Duration    { return e.ifAny(e.Class&emergency == 0) }
func notices(e *entry) time.Duration     { return e.ifAny(e.Class&(notice|anyone) != 0) }
func longWaiting(e *entry) time.Duration { return e.ifAny(e.Class&old != 0) }

func ofSender(name string) func(*entry) time.Duration {
	return func(e *entry) time.Duration {
		return e.ifAny(e.Class&anyone != 0 || e.Class&notice == 0 && e.Sender == name)
	}
}

func (e *entry) ifAny(counts bool) time.Duration {
	if counts {
		return e.Channel
	}
	return 0
}

// classOf says in which shares a frame counts.
func classOf(r Request) class {
	var c class
	switch {
	case r.Precedence == message.Emergency:
		c = emergency
	case r.Notice:
		c = notice
	case isOld(r):
		c = old
	}
	return c
}

// isOld tells whether a frame has waited so long that it has a share of its own.
func isOld(r Request) bool {
	return r.Precedence != message.Emergency && r.Precedence != message.Priority && !r.Notice && r.Waited > Old
}
