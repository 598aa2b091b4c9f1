package web

import (
	"net/netip"
	"sync"
	"time"
)

// The login's limits: a few tries are free, then each one doubles the wait.
const (
	freeTries = 3
	firstWait = time.Second
	maxWait   = 15 * time.Minute
	maxDoors  = 1024 // addresses that are remembered
)

// door slows down password guessing, for each address separately. An IPv6 /64 network
// counts as one address: it belongs to one household.
type door struct {
	mu    sync.Mutex
	tries map[netip.Prefix]*tries
}

type tries struct {
	n     int
	until time.Time // no try before
}

// knock counts a try; a positive wait: it is not allowed yet. It counts before the password
// is checked, so that simultaneous tries count, too.
func (d *door) knock(a netip.Addr) (wait time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := time.Now()
	d.forget(now)
	if d.tries == nil {
		d.tries = map[netip.Prefix]*tries{}
	}
	t := d.tries[neighbours(a)]
	if t == nil {
		t = &tries{}
		d.tries[neighbours(a)] = t
	}
	if wait = t.until.Sub(now); wait > 0 {
		return wait
	}
	t.n++
	t.until = now
	if t.n >= freeTries {
		t.until = now.Add(min(firstWait<<min(t.n-freeTries, 20), maxWait))
	}
	return 0
}

// opened forgets the tries of an address after a login.
func (d *door) opened(a netip.Addr) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.tries, neighbours(a))
}

// forget drops addresses without recent tries; if there are still too many, the one that may
// try first.
func (d *door) forget(now time.Time) {
	var first netip.Prefix
	var until time.Time
	for a, t := range d.tries {
		if now.Sub(t.until) > maxWait {
			delete(d.tries, a)
		} else if until.IsZero() || t.until.Before(until) {
			first, until = a, t.until
		}
	}
	if len(d.tries) >= maxDoors {
		delete(d.tries, first)
	}
}

func neighbours(a netip.Addr) netip.Prefix {
	bits := 32
	if a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits)
	return p
}
