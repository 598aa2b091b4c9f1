//go:build hub

package etcdstore

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// room is how full etcd is. Near the end of its quota it takes nothing more but
// deletions, until an operator has helped: so the last part of the quota is kept
// for what must not wait, and for the changes that end what is there.
type room struct {
	bytes, quota atomic.Int64
}

const (
	reserve  = 10 // percent of the quota that are kept for receipts, emergencies and changes
	lookRoom = 10 * time.Second
)

// watchRoom asks each member now and then how full it is.
func (s *Store) watchRoom(ctx context.Context) {
	tick := time.NewTicker(lookRoom)
	defer tick.Stop()
	for {
		s.lookRoom(ctx)
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (s *Store) lookRoom(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, s.opts.Timeout)
	defer cancel()
	var fullest, quota int64
	for _, member := range s.opts.Endpoints {
		st, err := s.client.Status(ctx, member)
		if err != nil {
			continue // its absence shows elsewhere
		}
		fullest, quota = max(fullest, st.DbSizeInUse), max(quota, st.DbSizeQuota)
	}
	if fullest > 0 {
		s.room.bytes.Store(fullest)
		s.room.quota.Store(quota)
	}
}

// admit refuses new records while only the reserve is left, but for those that
// are known: their senders only want to hear that they were stored.
func (s *Store) admit(ctx context.Context, ops []queue.Op) error {
	used, quota := s.room.bytes.Load(), s.room.quota.Load()
	if quota <= 0 || used < quota-quota*reserve/100 {
		return nil
	}
	for _, op := range ops {
		r := op.New
		if r == nil || op.Urgent || r.Message.Kind == message.Receipt || r.Message.Precedence == message.Emergency {
			continue
		}
		if _, known, err := s.Known(ctx, r.Identity, r.Accepted.Age.Add(-op.SameFor)); err == nil && known && op.SameFor > 0 {
			continue
		}
		return fmt.Errorf("%w: %d of %d MiB of etcd's quota are in use", queue.ErrFull, used>>20, quota>>20)
	}
	return nil
}
