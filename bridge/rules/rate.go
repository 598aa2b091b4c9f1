package rules

import (
	"container/list"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
)

// maxSenders are remembered by one Rate; the one unheard longest goes first.
const maxSenders = 10_000

// Limit is a number of messages in a time.
type Limit struct {
	N   int
	Per time.Duration
}

// Emergencies is how many a sender may send as such; more go as priority.
var Emergencies = Limit{N: 3, Per: 10 * time.Minute}

// Rate counts what each sender hands in, by base call sign or mail address, in
// a sliding window. It is safe for concurrent use and remembers at most 10,000
// senders.
//
// An emergency is never refused: do not ask Allow for it, ask a Rate of the
// limit Emergencies whether it may go as one.
type Rate struct {
	limit Limit

	mu      sync.Mutex
	senders map[string]*list.Element // of *sender
	recent  *list.List               // heard last first
}

type sender struct {
	name string
	at   []clock.Age // a ring of at most limit.N, with room for those of the last limit.Per
	next int         // the oldest
}

// NewRate makes an empty count.
func NewRate(limit Limit) *Rate {
	return &Rate{limit: limit, senders: map[string]*list.Element{}, recent: list.New()}
}

// Allow tells whether one more from sender stays within the limit at now, and
// if so counts it.
func (r *Rate) Allow(from string, now clock.Age) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.find(from)
	switch {
	case len(s.at) > 0 && now.Sub(s.at[s.next]) >= r.limit.Per: // the oldest no longer counts
		s.at[s.next] = now
	case len(s.at) < r.limit.N:
		s.at = slices.Insert(s.at, s.next, now)
	default:
		return false
	}
	s.next = (s.next + 1) % len(s.at)
	return true
}

// Wait tells how long it is from now until one more of sender is within the limit.
func (r *Rate) Wait(from string, now clock.Age) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.find(from)
	if len(s.at) < r.limit.N {
		return 0
	}
	return max(0, r.limit.Per-now.Sub(s.at[s.next]))
}

// GiveBack undoes the sender's last Allow: what it was for has come to nothing.
func (r *Rate) GiveBack(from string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.find(from)
	if len(s.at) == 0 {
		return // forgotten meanwhile
	}
	inOrder := slices.Concat(s.at[s.next:], s.at[:s.next])
	s.at, s.next = inOrder[:len(inOrder)-1], 0
}

// find gives the sender's count, a new one if need be.
func (r *Rate) find(from string) *sender {
	name := strings.ToLower(callsign.Base(from))
	if e := r.senders[name]; e != nil {
		r.recent.MoveToFront(e)
		return e.Value.(*sender)
	}
	if r.recent.Len() >= maxSenders {
		oldest := r.recent.Back()
		delete(r.senders, r.recent.Remove(oldest).(*sender).name)
	}
	s := &sender{name: name}
	r.senders[name] = r.recent.PushFront(s)
	return s
}
