package broker

import (
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/presence"
)

// While our clock is wrong it cannot judge the times that others sign. But the
// announcements of the gateways of our own mesh name our latest announcement. One that
// names what we said a moment ago was signed after that, and so was everything under the
// same key with a higher number: no replay can do that. So gateways of one mesh work
// together even if the clock of one is wrong; far gateways have to wait until it is set.

// spokens are the times of this gateway's latest announcements, the oldest first.
type spokens []spoken

type spoken struct {
	boot, count uint64
	at          time.Time
}

// mostSaid is how many of them are kept: those of the last minutes.
const mostSaid = 32

// note adds an announcement.
func (s *spokens) note(says []presence.Say, now time.Time) {
	if len(says) == 0 {
		return
	}
	*s = append(*s, spoken{says[0].Boot, says[0].Count, now})
	if len(*s) > mostSaid {
		*s = (*s)[1:]
	}
}

// when returns when we made an announcement.
func (s spokens) when(w envelope.Word) (time.Time, bool) {
	for _, x := range s {
		if x.boot == w.Boot && x.count == w.Counter {
			return x.at, true
		}
	}
	return time.Time{}, false
}

// proofs are, by key, numbers above which everything was signed after a known moment: an
// older one, for events that come late, and a newer one.
type proofs map[envelope.PublicKey][2]proof

type proof struct {
	number uint64
	at     time.Time
}

// renewed is how old the newer proof becomes before another takes its place.
const renewed = 15 * time.Minute

func (p proofs) add(key envelope.PublicKey, q proof) {
	switch two := p[key]; {
	case two[1].number == 0:
		p[key] = [2]proof{q, q}
	case q.at.Sub(two[1].at) >= renewed:
		p[key] = [2]proof{two[1], q}
	}
}

// proves tells whether an event was signed less than its lifetime ago.
func (p proofs) proves(r *envelope.Received, now time.Time) bool {
	for _, q := range p[r.Key] {
		if q.number != 0 && r.Number >= q.number && now.Sub(q.at) < r.Lifetime {
			return true
		}
	}
	return false
}

// isLate tells whether an event of a listed gateway that our clock cannot judge was signed
// lately all the same. It also tells the bridge when our clock is surely wrong: an event
// from its future cannot be a replay.
func (in *receiver) isLate(r *envelope.Received, wall time.Time) bool {
	now := time.Now()
	word, isPresence := r.Body.(envelope.Presence)
	if isPresence {
		in.t.mu.Lock()
		for _, w := range word.Hears {
			if at, ok := in.t.spoke.when(w); ok && w.Gateway == in.t.opts.Call {
				in.proofs.add(r.Key, proof{r.Number, at})
			}
		}
		in.t.mu.Unlock()
	}
	proven := in.proofs.proves(r, now)
	if proven || r.Signed.After(wall.Add(envelope.MaxSkew)) {
		in.host.Dated(false)
	}
	if isPresence && !proven && !word.Gone {
		in.host.Present(presence.Say{Mesh: word.Mesh, Call: r.Source, Boot: word.Boot, Count: word.Counter, Unproven: true}, true)
	}
	return proven
}
