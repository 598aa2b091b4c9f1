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
// its lease for ended: a fifth of its time before etcd does.
type session struct {
	s   *Store
	ttl time.Duration

	part    context.Context // ends when a process that works has lost its part
	lose    context.CancelFunc
	mu      sync.Mutex
	lease   clientv3.LeaseID
	created int64           // revision of the key that says that this process lives; 0: it is not registered
	until   time.Time       // the lease holds until then at least
	others  map[string]bool // who lives
}

func newSession(s *Store) *session {
	n := &session{s: s, ttl: s.opts.TTL, others: map[string]bool{}}
	n.part, n.lose = context.WithCancel(context.Background())
	return n
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

// key says that this process lives.
func (n *session) key() string { return n.s.keys.life(n.s.process) }

func (n *session) leaseID() clientv3.LeaseID {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.lease
}

// register takes a lease and says that this process lives.
func (n *session) register(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*n.s.opts.Timeout)
	defer cancel()
	if err := n.bury(ctx); err != nil {
		return n.s.explain(err)
	}
	asked := time.Now()
	granted, err := n.s.client.Grant(ctx, int64(n.ttl/time.Second))
	if err != nil {
		return n.s.explain(err)
	}
	resp, err := n.s.client.Txn(ctx).If(clientv3.Compare(clientv3.CreateRevision(n.key()), "=", 0)).
		Then(clientv3.OpPut(n.key(), n.s.process, clientv3.WithLease(granted.ID))).Commit()
	if err != nil {
		return n.s.explain(err) // the lease runs out by itself
	}
	if !resp.Succeeded {
		return errTwin
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.lease, n.created, n.until = granted.ID, resp.Header.Revision, asked.Add(n.holds())
	return nil
}

// errTwin is what a process meets whose name another one has.
var errTwin = errors.New("another process uses the same process.id: remove this file where it was copied to, and a new one is made")

// bury ends what a former life of this process left, with all that hangs on it.
func (n *session) bury(ctx context.Context) error {
	resp, err := n.s.client.Get(ctx, n.key())
	if err != nil || len(resp.Kvs) == 0 {
		return err
	}
	_, err = n.s.client.Revoke(ctx, clientv3.LeaseID(resp.Kvs[0].Lease))
	if errors.Is(err, rpctypes.ErrLeaseNotFound) { // it has just run out
		return nil
	}
	return err
}

// holds is how long this process takes a lease for good.
func (n *session) holds() time.Duration { return n.ttl * 4 / 5 }

// guard ends a process's part in the work for good when its lease has run out.
func (n *session) guard(ctx context.Context) {
	for {
		n.mu.Lock()
		left := time.Until(n.until)
		over := n.created == 0
		n.mu.Unlock()
		if over || left <= 0 {
			n.s.log.Error("this process has lost its part of the work to the others: etcd has not confirmed in time that it lives")
			n.lose()
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(min(left, lookOwned)):
		}
	}
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
	id, created, over := n.lease, n.created, !time.Now().Before(n.until)
	n.mu.Unlock()
	switch {
	case n.s.opts.Works && (over || created == 0):
		return nil // it has lost its part, and keeps nobody from it
	case created == 0:
		return n.register(ctx)
	}
	asked := time.Now()
	resp, err := n.s.client.KeepAliveOnce(ctx, id)
	switch {
	case errors.Is(err, rpctypes.ErrLeaseNotFound) || err == nil && resp.TTL <= 0:
		n.ended(created)
		return nil // the next look joins anew
	case err != nil:
		return n.s.explain(err)
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if !n.s.opts.Works || time.Now().Before(n.until) { // lost is lost
		n.until = asked.Add(n.holds())
	}
	return nil
}

// ended notes that the life with this revision is over.
func (n *session) ended(created int64) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.created == created {
		n.created = 0
		n.s.log.Warn("this process was taken for dead by the others")
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
