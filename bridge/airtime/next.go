package airtime

import (
	"cmp"
	"slices"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// OldOwed tells whether frames that waited over 2 h have had less than their
// tenth of the budget in the last hour, so that one of them goes before others.
func (b *Budget) OldOwed(now clock.Age) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	return b.limits.oldOwed(b.ledger)
}

func (l Limits) oldOwed(led ledger) bool { return led.sum(longWaiting) < l.budget()/oldPart }

// next says which of the waiting frames is to go next, how long that has yet to
// wait, and what for; -1 when there is none that ever may. Of the frames of one
// lane only the first is to be offered.
//
// The order: emergencies; then what has waited over 2 h, as long as such frames
// had less than their tenth of the budget in the last hour; then by precedence;
// in one precedence the sender with the least airtime in the last hour; then
// the frame that has waited longest. A frame that is held up by its sender's or
// the notices' share lets others pass. One that waits for the budget does not,
// or small frames would keep a big one waiting for ever.
func (l Limits) next(led ledger, now clock.Age, queue []Request) (i int, wait time.Duration, why Reason) {
	i, wait = -1, Never
	for _, at := range l.order(led, queue) {
		w, reason := l.wait(led, now, queue[at])
		if w < wait {
			i, wait, why = at, w, reason
		}
		switch reason {
		case SenderShare, NoticeShare, NeverPossible:
		default:
			return i, wait, why
		}
	}
	return i, wait, why
}

// order gives the indexes of a queue in the order in which they should go.
func (l Limits) order(led ledger, queue []Request) []int {
	owed := l.oldOwed(led)
	used := map[string]time.Duration{}
	for _, e := range led {
		used[e.Sender] += e.Channel
	}
	indexes := make([]int, len(queue))
	for i := range indexes {
		indexes[i] = i
	}
	slices.SortFunc(indexes, func(i, j int) int {
		a, b := queue[i], queue[j]
		return cmp.Or(
			cmp.Compare(rank(a, owed), rank(b, owed)),
			cmp.Compare(used[a.Sender], used[b.Sender]),
			cmp.Compare(b.Waited, a.Waited),
			cmp.Compare(i, j))
	})
	return indexes
}

func rank(r Request, owed bool) int {
	switch {
	case r.Precedence == message.Emergency:
		return 0
	case owed && isOld(r):
		return 1
	case r.Precedence == message.Unset:
		return 2 + int(message.Routine)
	}
	return 2 + int(r.Precedence)
}
