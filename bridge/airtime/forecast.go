package airtime

import (
	"slices"
	"time"

	"posthouse/bridge/clock"
)

// forecastLimit is how many frames are played through one by one; those behind
// them are estimated from the pace of the budget.
const forecastLimit = 100

// Forecast gives the waiting time that each of the frames has to expect if no
// other comes, in the order of next; Never for one that can't go. The largest is
// that of the whole queue.
func (b *Budget) Forecast(now clock.Age, queue []Request) []time.Duration {
	b.mu.Lock()
	b.ledger.expire(now)
	led, l := slices.Clone(b.ledger), b.limits
	b.mu.Unlock()

	waits := make([]time.Duration, len(queue))
	order := l.order(led, queue)
	first, rest := order[:min(len(order), forecastLimit)], order[min(len(order), forecastLimit):]
	end := l.play(led, now, queue, first, waits)
	for _, i := range rest {
		if l.channel(queue[i].Cost) > l.ordinary() {
			waits[i] = Never
			continue
		}
		end += time.Duration(float64(l.channel(queue[i].Cost)) / float64(l.ordinary()) * float64(window))
		waits[i] = end
	}
	return waits
}

// Drain says how long it takes until so much more time on the channel, repeats
// included, has been spent on ordinary traffic: the wait of the last of a queue
// of which only the sum is known. It looks at the hour's entries alone: each hour
// what was spent in the one before comes back, at the same minutes.
func (b *Budget) Drain(now clock.Age, channel time.Duration) time.Duration {
	if channel <= 0 {
		return 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	hours := (channel - 1) / b.limits.ordinary()
	rest := channel - hours*b.limits.ordinary()
	at := now
	room := b.limits.ordinary() - b.ledger.sum(ordinary)
	for i := 0; room < rest && i < len(b.ledger); i++ {
		at = b.ledger[i].Until
		room += ordinary(&b.ledger[i])
	}
	return max(hours*window+at.Sub(now), min(channel, window))
}

// play sends the frames of a queue in thought and notes when each goes. It
// returns when the last one has gone.
func (l Limits) play(led ledger, now clock.Age, queue []Request, indexes []int, waits []time.Duration) (end time.Duration) {
	left := slices.Clone(indexes)
	frames := make([]Request, len(left))
	for at := now; len(left) > 0; {
		for i, q := range left {
			frames[i] = queue[q]
			frames[i].Waited += at.Sub(now)
		}
		led.expire(at)
		i, wait, _ := l.next(led, at, frames[:len(left)])
		if i < 0 {
			for _, q := range left {
				waits[q] = Never
			}
			return end
		}
		if wait > 0 {
			at = at.Add(wait)
			continue
		}
		r := frames[i]
		channel := l.channel(r.Cost)
		led.add(entry{Until: counted(at, channel), Channel: channel, Own: r.Cost, Sender: r.Sender, Class: classOf(r)})
		waits[left[i]] = at.Sub(now)
		at = at.Add(channel + time.Millisecond)
		end = at.Sub(now)
		left = slices.Delete(left, i, i+1)
	}
	return end
}
