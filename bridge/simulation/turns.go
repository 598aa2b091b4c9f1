package simulation

import (
	"fmt"
	"hash"
	"hash/fnv"
	"slices"
	"strings"
	"sync"
	"testing/synctest"
	"time"
)

// turns lets things happen one at a time: whoever enters the world waits until all
// that the one before has set off has come to rest. Of those that wait in one
// instant the one goes first whose words come first. So it does not matter which
// goroutine the scheduler prefers.
type turns struct {
	ring chan struct{} // holds a word while somebody may wait
	over chan struct{}

	mu    sync.Mutex
	wait  []turn
	given int
	sum   hash.Hash64 // of all that were given, and when
}

type turn struct {
	words string
	begin chan string
}

func newTurns() *turns {
	return &turns{ring: make(chan struct{}, 1), over: make(chan struct{}), sum: fnv.New64a()}
}

// take waits for the turn of whatever these words say, and gives its number.
func (t *turns) take(words ...string) string {
	mine := turn{strings.Join(words, "\x00"), make(chan string, 1)}
	t.mu.Lock()
	t.wait = append(t.wait, mine)
	t.mu.Unlock()
	select {
	case t.ring <- struct{}{}:
	default:
	}
	return <-mine.begin
}

// give gives turns until the end.
func (t *turns) give() {
	for {
		select {
		case <-t.ring:
		case <-t.over:
			return
		}
		for t.next() {
		}
	}
}

// next waits until all is at rest, and then gives one turn.
func (t *turns) next() bool {
	synctest.Wait()
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.wait) == 0 {
		return false
	}
	first := 0
	for i := range t.wait {
		if t.wait[i].words < t.wait[first].words {
			first = i
		}
	}
	t.given++
	fmt.Fprintln(t.sum, time.Now().UnixNano(), t.wait[first].words)
	t.wait[first].begin <- fmt.Sprintf("%09d", t.given)
	t.wait = slices.Delete(t.wait, first, first+1)
	return true
}
