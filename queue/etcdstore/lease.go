//go:build hub

package etcdstore

import (
	"context"
	"fmt"
	"sync"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"
)

// leases are what identities hang on, so that etcd itself forgets them in time:
// nobody has to look through them. Those of one spell with the same time to live
// share a lease.
type leases struct {
	client *clientv3.Client

	mu      sync.Mutex
	granted map[int]lease // by time to live, in hours
}

type lease struct {
	id clientv3.LeaseID
	at time.Time
}

// spell is how long a lease is given to further identities. A lease that ends
// takes all its keys at once: with a thousand a minute these are some ten thousand.
const spell = 10 * time.Minute

// lasting gives a lease that holds at least so long from now.
func (l *leases) lasting(ctx context.Context, keep time.Duration) (clientv3.LeaseID, error) {
	hours := int((max(keep, leastMemory)+spell-1)/time.Hour) + 1
	l.mu.Lock()
	have, ok := l.granted[hours]
	l.mu.Unlock()
	if ok && time.Since(have.at) < spell {
		return have.id, nil
	}
	resp, err := l.client.Grant(ctx, int64(time.Duration(hours)*time.Hour/time.Second)) // without the lock: nobody waits for etcd
	if err != nil {
		return 0, fmt.Errorf("a lease for what is to be remembered: %w", err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.granted[hours] = lease{resp.ID, time.Now()}
	return resp.ID, nil
}

// forget has leases granted anew: etcd does not know one of them.
func (l *leases) forget() {
	l.mu.Lock()
	defer l.mu.Unlock()
	clear(l.granted)
}
