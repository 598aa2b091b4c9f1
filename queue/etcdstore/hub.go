//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.etcd.io/etcd/api/v3/v3rpc/rpctypes"
	clientv3 "go.etcd.io/etcd/client/v3"
)

// session is this process among those that share the queue. It lives as long as
// its lease: every transaction compares the key that hangs on it, so a process
// that was taken for dead, and whose links others may run by now, can write
// nothing until it has registered anew.
//
// The process itself goes by its own clock: when no sign of life was confirmed
// for as long as the lease holds, counted from when that sign was sent, it takes
// its lease for ended, which is never later than etcd does.
type session struct {
	s   *Store
	ttl time.Duration

	mu      sync.Mutex
	lease   clientv3.LeaseID
	created int64           // revision of the key that says that this process lives; 0: it is not registered
	until   time.Time       // the lease holds until then at least
	others  map[string]bool // who lives
}

func newSession(s *Store) *session {
	return &session{s: s, ttl: s.opts.TTL, others: map[string]bool{}}
}

// life gives the revision that every transaction compares; 0 while the process is
// not registered.
func (n *session) life() int64 {
	n.mu.Lock()
	defer n.mu.Unlock()
	if time.Now().After(n.until) {
		return 0
	}
	return n.created
}

// register takes a lease and says that this process lives.
func (n *session) register(ctx context.Context) error {
	asked := time.Now()
	granted, err := n.s.client.Grant(ctx, int64(n.ttl/time.Second))
	if err != nil {
		return n.s.explain(err)
	}
	key := n.s.keys.life(n.s.process)
	// What a former life of this process left goes first, so that the key's creation is ours.
	if _, err := n.s.client.Delete(ctx, key); err != nil {
		return n.s.explain(err)
	}
	resp, err := n.s.client.Txn(ctx).If(clientv3.Compare(clientv3.CreateRevision(key), "=", 0)).
		Then(clientv3.OpPut(key, "", clientv3.WithLease(granted.ID))).Commit()
	if err != nil {
		return n.s.explain(err)
	}
	if !resp.Succeeded {
		return fmt.Errorf("another process has the name %s: has this one's folder been copied? Remove process.id there", n.s.process)
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.lease, n.created, n.until = granted.ID, resp.Header.Revision, asked.Add(n.ttl)
	return nil
}

// run gives signs of life until ctx ends, and registers anew when the lease ran out.
func (n *session) run(ctx context.Context) {
	tick := time.NewTicker(n.ttl / 4)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if err := n.renew(ctx); err != nil && ctx.Err() == nil {
				n.s.complain(fmt.Errorf("telling the others that this process lives: %w", err))
			}
		}
	}
}

func (n *session) renew(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, n.s.opts.Timeout)
	defer cancel()
	n.mu.Lock()
	id, created := n.lease, n.created
	n.mu.Unlock()
	if created == 0 {
		return n.register(ctx)
	}
	asked := time.Now()
	resp, err := n.s.client.KeepAliveOnce(ctx, id)
	switch {
	case errors.Is(err, rpctypes.ErrLeaseNotFound) || err == nil && resp.TTL <= 0:
		n.ended(created)
		return n.register(ctx)
	case err != nil:
		return n.s.explain(err)
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.until = asked.Add(n.ttl)
	return nil
}

// ended notes that the life with this revision is over.
func (n *session) ended(created int64) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.created == created {
		n.created = 0
		n.s.log.Warn("this process was taken for dead by the others and joins anew")
	}
}

// hear takes in what the follower saw of a process.
func (n *session) hear(name string, lives bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	delete(n.others, name)
	if lives && name != n.s.process {
		n.others[name] = true
	}
}

// forget empties what hear filled.
func (n *session) forget() {
	n.mu.Lock()
	defer n.mu.Unlock()
	clear(n.others)
}

// living lists the processes that live, this one included while it does.
func (n *session) living() (all []string) {
	me := n.life() != 0
	n.mu.Lock()
	defer n.mu.Unlock()
	for name := range n.others {
		all = append(all, name)
	}
	if me {
		all = append(all, n.s.process)
	}
	slices.Sort(all)
	return all
}

// leave gives up the lease and all that hangs on it.
func (n *session) leave() {
	n.mu.Lock()
	id := n.lease
	n.created = 0
	n.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), n.s.opts.Timeout)
	defer cancel()
	if _, err := n.s.client.Revoke(ctx, id); err != nil {
		n.s.log.Debug("giving up the lease failed; it runs out by itself", "err", err)
	}
}
