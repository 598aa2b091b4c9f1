package broker

import (
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/presence"
)

// While our clock is not trusted, and wrong, no time that others sign can be judged. But
// the gateways of our own mesh name our latest word in theirs. Who names one that we
// said a moment ago has signed since, and so has whoever signs under the same key with a
// higher number: no replay can do that. So two gateways of a mesh work together whatever
// the clock of one of them says; what is far away has to wait until it is set.

// spokens is when this gateway said its latest words; the oldest first.
type spokens []spoken

type spoken struct {
	boot, count uint64
	at          time.Time
}

// mostSaid is how many of them count: those of the last minutes.
const mostSaid = 32

// note adds a word.
func (s *spokens) note(says []presence.Say, now time.Time) {
	if len(says) == 0 {
		return
	}
	*s = append(*s, spoken{says[0].Boot, says[0].Count, now})
	if len(*s) > mostSaid {
		*s = (*s)[1:]
	}
}

// when tells when a word was said.
func (s spokens) when(w envelope.Word) (time.Time, bool) {
	for _, x := range s {
		if x.boot == w.Boot && x.count == w.Counter {
			return x.at, true
		}
	}
	return time.Time{}, false
}

// proofs are, by key, the numbers above which all was signed after a moment that we
// know: an older one, for what comes late, and a newer one.
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

// isLate judges an event of a listed gateway that cannot be judged by its time: it tells
// whether it was signed lately all the same. The bridge hears that our clock is wrong,
// where that is sure: who signed later than our clock says has one that is ahead of it,
// and a replay is only older than it was.
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
