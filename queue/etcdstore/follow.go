//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"

	"go.etcd.io/etcd/api/v3/mvccpb"
	"go.etcd.io/etcd/api/v3/v3rpc/rpctypes"
	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// follower keeps the mirror at the revision that etcd has.
type follower struct {
	s *Store

	mu      sync.Mutex
	at      int64  // the mirror shows all up to this revision
	highest uint64 // number given
	waiting []waiter
}

type waiter struct {
	revision int64
	done     chan struct{}
}

func newFollower(s *Store) *follower { return &follower{s: s} }

// reached waits until the mirror shows a revision; false: ctx ended first.
func (f *follower) reached(ctx context.Context, revision int64) bool {
	f.mu.Lock()
	if f.at >= revision {
		f.mu.Unlock()
		return true
	}
	w := waiter{revision, make(chan struct{})}
	f.waiting = append(f.waiting, w)
	f.mu.Unlock()
	select {
	case <-w.done:
		return true
	case <-ctx.Done():
		return false
	}
}

// highestNumber is the highest number that any process has given, as far as the
// mirror shows.
func (f *follower) highestNumber() uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.highest
}

// gave notes a number that was given, before the mirror shows what it was given to.
func (f *follower) gave(n uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.highest = max(f.highest, n)
}

// moved notes that the mirror shows a revision.
func (f *follower) moved(revision int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.at = max(f.at, revision)
	rest := f.waiting[:0]
	for _, w := range f.waiting {
		if w.revision <= f.at {
			close(w.done)
		} else {
			rest = append(rest, w)
		}
	}
	f.waiting = rest
}

func (f *follower) position() int64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.at
}

// run follows until ctx ends. A watch that breaks is begun again right behind
// what it gave last, at whichever member answers.
func (f *follower) run(ctx context.Context) {
	for ctx.Err() == nil {
		err := f.watch(ctx)
		if ctx.Err() != nil {
			return
		}
		if errors.Is(err, rpctypes.ErrCompacted) || errors.Is(err, boltstore.ErrBehind) {
			f.s.log.Warn("the queue's mirror is filled anew", "err", err)
			err = f.fill(ctx)
		}
		if err != nil && ctx.Err() == nil {
			f.s.complain(fmt.Errorf("following the queue: %w", err))
			f.s.pause(retry)
		}
	}
}

// watch takes over change after change until something breaks.
func (f *follower) watch(ctx context.Context) error {
	ctx, cancel := context.WithCancel(clientv3.WithRequireLeader(ctx)) // a member that lost the others breaks the watch off
	defer cancel()
	changes := f.s.client.Watch(ctx, f.s.keys.prefix, clientv3.WithPrefix(), clientv3.WithRev(f.position()+1), clientv3.WithFragment())
	for resp := range changes {
		if err := resp.Err(); err != nil {
			return err
		}
		if len(resp.Events) == 0 {
			continue
		}
		if err := f.take(ctx, resp.Events); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// take brings what changed into the mirror.
func (f *follower) take(ctx context.Context, events []*clientv3.Event) error {
	step := boltstore.Step{From: f.position(), Put: map[string][]byte{}}
	copies := map[uint64]boltstore.Copy{}
	gone := map[uint64]bool{}
	for _, e := range events {
		step.To = max(step.To, e.Kv.ModRevision)
		switch kind, rest := f.s.keys.cut(e.Kv.Key); kind {
		case "r":
			seq, ok := seqOf(rest)
			if !ok {
				continue
			}
			delete(copies, seq)
			if gone[seq] = e.Type == mvccpb.Event_DELETE; !gone[seq] {
				copies[seq] = copyOf(seq, e.Kv)
			}
		case "s":
			step.Put[rest] = nil
			if e.Type != mvccpb.Event_DELETE {
				step.Put[rest] = append([]byte{}, e.Kv.Value...)
			}
		case "n":
			f.gave(readNumber(e.Kv.Value))
		case "h":
			f.s.session.hear(rest, e.Type != mvccpb.Event_DELETE)
			f.s.owned.look()
		case "o":
			f.s.owned.hear(rest, string(e.Kv.Value), e.Kv.CreateRevision) // nobody once it is deleted
		}
	}
	for _, c := range copies {
		step.Copies = append(step.Copies, c)
	}
	for seq, is := range gone {
		if is {
			step.Gone = append(step.Gone, seq)
		}
	}
	if err := f.s.mirror.Follow(context.WithoutCancel(ctx), step); err != nil {
		return err
	}
	f.moved(step.To)
	f.s.news.changed(step.Put)
	return nil
}

// copyOf gives a record as the mirror wants it. One whose checksum does not fit
// goes in as it is: the mirror finds it damaged, and counts it.
func copyOf(seq uint64, kv *mvccpb.KeyValue) boltstore.Copy {
	payload, err := boltstore.Unseal(seq, kv.Value)
	if err != nil {
		payload = []byte(queue.ErrDamaged.Error())
	}
	return boltstore.Copy{Seq: seq, Payload: payload, Revision: kv.ModRevision}
}

// page is how many records are asked for at once.
const page = 500

// fill makes the mirror what etcd has at one revision.
func (f *follower) fill(ctx context.Context) error {
	highest, revision, err := f.s.numbered(ctx)
	if err != nil {
		return f.s.explain(err)
	}
	f.gave(highest)
	if err := f.fillRecords(ctx, revision); err != nil {
		return err
	}
	if err := f.fillIdentities(ctx, revision); err != nil {
		return err
	}
	if err := f.fillSettings(ctx, revision); err != nil {
		return err
	}
	if err := f.fillLiving(ctx, revision); err != nil {
		return err
	}
	f.moved(revision)
	return nil
}

func (f *follower) fillRecords(ctx context.Context, revision int64) error {
	end := clientv3.GetPrefixRangeEnd(f.s.keys.prefix + "r/")
	for after := uint64(0); ; {
		resp, err := f.s.client.Get(ctx, f.s.keys.record(after+1), clientv3.WithRange(end), clientv3.WithRev(revision), clientv3.WithLimit(page))
		if err != nil {
			return fmt.Errorf("listing the records: %w", f.s.explain(err))
		}
		step := boltstore.Step{From: boltstore.Anyhow, After: after, Upto: math.MaxUint64}
		for _, kv := range resp.Kvs {
			if _, rest := f.s.keys.cut(kv.Key); len(rest) == 8 {
				after, _ = seqOf(rest)
				step.Copies = append(step.Copies, copyOf(after, kv))
			}
		}
		if resp.More {
			step.Upto = after
		}
		if err := f.s.mirror.Follow(ctx, step); err != nil {
			return err
		}
		if !resp.More {
			return nil
		}
	}
}

// fillIdentities brings the identities over, for those whose records are gone. From
// now on each comes with its record.
func (f *follower) fillIdentities(ctx context.Context, revision int64) error {
	prefix := f.s.keys.prefix + "i/"
	for key, end := prefix, clientv3.GetPrefixRangeEnd(prefix); ; {
		resp, err := f.s.client.Get(ctx, key, clientv3.WithRange(end), clientv3.WithRev(revision), clientv3.WithLimit(page))
		if err != nil {
			return fmt.Errorf("listing the identities: %w", f.s.explain(err))
		}
		step := boltstore.Step{From: boltstore.Anyhow}
		for _, kv := range resp.Kvs {
			key = string(kv.Key) + "\x00"
			_, rest := f.s.keys.cut(kv.Key)
			m, err := readMemory(kv.Value)
			if err != nil || len(rest) != len(queue.Identity{}) {
				continue // damaged: an op that asks for it says so
			}
			step.Sightings = append(step.Sightings, boltstore.Sighting{ID: queue.Identity([]byte(rest)), Seq: m.seq, Age: m.age})
		}
		if err := f.s.mirror.Follow(ctx, step); err != nil || !resp.More {
			return err
		}
	}
}

// fillSettings brings the settings over and notes the revision: from here on the
// mirror is whole.
func (f *follower) fillSettings(ctx context.Context, revision int64) error {
	has, err := f.s.mirror.Settings(ctx, "")
	if err != nil {
		return err
	}
	put := map[string][]byte{}
	for name := range has {
		put[name] = nil
	}
	prefix := f.s.keys.prefix + "s/"
	for key, end := prefix, clientv3.GetPrefixRangeEnd(prefix); ; {
		resp, err := f.s.client.Get(ctx, key, clientv3.WithRange(end), clientv3.WithRev(revision), clientv3.WithLimit(page))
		if err != nil {
			return fmt.Errorf("listing the settings: %w", f.s.explain(err))
		}
		for _, kv := range resp.Kvs {
			_, rest := f.s.keys.cut(kv.Key)
			put[rest] = append([]byte{}, kv.Value...)
			key = string(kv.Key) + "\x00"
		}
		if !resp.More {
			break
		}
	}
	if err := f.s.mirror.Follow(ctx, boltstore.Step{From: boltstore.Anyhow, To: revision, Put: put}); err != nil {
		return err
	}
	f.s.news.changed(put)
	return nil
}

// fillLiving brings over who lives, and who has which part of the work.
func (f *follower) fillLiving(ctx context.Context, revision int64) error {
	f.s.session.forget()
	f.s.owned.forget()
	for _, kind := range []string{"h/", "o/"} {
		resp, err := f.s.client.Get(ctx, f.s.keys.prefix+kind, clientv3.WithPrefix(), clientv3.WithRev(revision))
		if err != nil {
			return f.s.explain(err)
		}
		for _, kv := range resp.Kvs {
			if _, name := f.s.keys.cut(kv.Key); kind == "h/" {
				f.s.session.hear(name, true)
			} else {
				f.s.owned.hear(name, string(kv.Value), kv.CreateRevision)
			}
		}
	}
	return nil
}
