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
// other comes, in the order of Next; Never for one that can't go. The largest is
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
