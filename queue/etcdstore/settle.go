//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"go.etcd.io/etcd/api/v3/v3rpc/rpctypes"
	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/queue"
)

// turn is the process's own last transaction: each one compares and raises it.
type turn struct {
	number   uint64
	revision int64 // of the key that says so; 0: there is none yet
}

// errFenced says that the process's lease ran out: it may write nothing until it
// has registered anew. Nothing of the transaction has taken effect.
var errFenced = errors.New("etcd has not confirmed in time that this process lives: the others take it for dead, and it writes nothing until it has joined anew")

// commit carries a transaction out. landed tells that it has taken effect and the
// mirror shows it; neither landed nor an error: others were faster, and the
// plan's facts say what they wrote.
func (s *Store) commit(p *plan, t *txn) (landed bool, err error) {
	if len(t.compare)+len(t.then) == 0 {
		return true, nil
	}
	me, mine := s.keys.last(s.process), s.session.key()
	life := s.session.life()
	compare := append(t.compare, clientv3.Compare(clientv3.CreateRevision(mine), "=", life))
	if life == 0 {
		return false, errFenced
	}
	then, next := t.then, s.turn.number+1
	if len(then) > 0 {
		compare = append(compare, clientv3.Compare(clientv3.ModRevision(me), "=", s.turn.revision))
		then = append(then, clientv3.OpPut(me, number(next)))
	}
	resp, err := s.txn(compare, then, append(t.look, clientv3.OpGet(me), clientv3.OpGet(mine)))
	switch {
	case err == nil && resp.Succeeded:
		if len(then) > 0 {
			s.turn = turn{next, resp.Header.Revision}
			return s.follower.reached(s.life, resp.Header.Revision), s.life.Err()
		}
		return true, nil
	case err == nil:
		return false, s.learn(p, resp, life)
	case isCertain(err) || len(then) == 0:
		return false, s.explain(err)
	case errors.Is(err, rpctypes.ErrNoSpace):
		if landed, unread := s.look(next); landed || unread != nil {
			return landed, unread
		}
		return false, s.explain(err)
	}
	return s.settle(next)
}

func (s *Store) txn(compare []clientv3.Cmp, then, orElse []clientv3.Op) (*clientv3.TxnResponse, error) {
	ctx, cancel := context.WithTimeout(context.Background(), s.opts.Timeout)
	defer cancel()
	return s.client.Txn(ctx).If(compare...).Then(then...).Else(orElse...).Commit()
}

// learn takes in why a comparison failed.
func (s *Store) learn(p *plan, resp *clientv3.TxnResponse, life int64) error {
	all := map[string]found{}
	fenced := true
	for _, r := range resp.Responses {
		for _, kv := range r.GetResponseRange().GetKvs() {
			all[string(kv.Key)] = found{kv.Value, kv.ModRevision}
			if string(kv.Key) == s.session.key() {
				fenced = kv.CreateRevision != life
			}
		}
	}
	if fenced {
		s.session.ended(life)
		return errFenced
	}
	kv := all[s.keys.last(s.process)]
	s.turn = turn{readNumber(kv.value), kv.revision}
	return p.facts.learn(p, all)
}

// settle finds out what became of a transaction that was not answered, and sees to
// it that it takes effect now or never: raising the process's turn makes it fail
// should it still be on its way. It returns once that is known, or the store
// is closed and etcd stays away.
func (s *Store) settle(asked uint64) (landed bool, err error) {
	me := s.keys.last(s.process)
	for {
		resp, err := s.txn([]clientv3.Cmp{clientv3.Compare(clientv3.ModRevision(me), "=", s.turn.revision)},
			[]clientv3.Op{clientv3.OpPut(me, number(asked+1))}, []clientv3.Op{clientv3.OpGet(me)})
		if err != nil {
			s.complain(err)
			if !s.pause(retry) {
				return false, fmt.Errorf("%w: %w", queue.ErrUncertain, s.explain(err))
			}
			continue
		}
		if resp.Succeeded {
			s.turn = turn{asked + 1, resp.Header.Revision}
			return false, nil
		}
		var is turn
		for _, kv := range resp.Responses[0].GetResponseRange().GetKvs() {
			is = turn{readNumber(kv.Value), kv.ModRevision}
		}
		s.turn = is
		if is.number != asked {
			return false, nil // an earlier try of this loop took effect, and the transaction never will
		}
		return s.follower.reached(s.life, is.revision), s.life.Err()
	}
}

// look finds out what became of a transaction that was answered with ErrNoSpace. It
// may have taken effect: a member that finds its own quota used up while it carries
// a transaction out carries it out, and answers so (etcd's quotaApplierV3). But it
// is not on its way any more, so reading is enough; etcd has no room for a turn.
func (s *Store) look(asked uint64) (landed bool, err error) {
	for {
		is, err := s.lastTurn()
		if err == nil {
			landed = is.number == asked && is.revision != s.turn.revision
			s.turn = is
			return landed && s.follower.reached(s.life, is.revision), s.life.Err()
		}
		s.complain(err)
		if !s.pause(retry) {
			return false, fmt.Errorf("%w: %w", queue.ErrUncertain, s.explain(err))
		}
	}
}

func (s *Store) lastTurn() (is turn, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), s.opts.Timeout)
	defer cancel()
	resp, err := s.client.Get(ctx, s.keys.last(s.process))
	if err != nil {
		return turn{}, err
	}
	for _, kv := range resp.Kvs {
		is = turn{readNumber(kv.Value), kv.ModRevision}
	}
	return is, nil
}

// isCertain tells that an error of etcd means that nothing has taken effect.
func isCertain(err error) bool {
	var e rpctypes.EtcdError
	if !errors.As(err, &e) {
		return false
	}
	for _, no := range []error{
		rpctypes.ErrTooManyOps, rpctypes.ErrRequestTooLarge, rpctypes.ErrDuplicateKey, rpctypes.ErrLeaseNotFound,
		rpctypes.ErrPermissionDenied, rpctypes.ErrInvalidAuthToken, rpctypes.ErrUserEmpty, rpctypes.ErrAuthNotEnabled,
		rpctypes.ErrTooManyRequests, rpctypes.ErrCorrupt,
	} {
		if errors.Is(e, no) {
			return true
		}
	}
	return false
}

// explain makes an error of etcd one for people.
func (s *Store) explain(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, rpctypes.ErrNoSpace):
		return fmt.Errorf("%w: etcd's space quota is used up; make room as the README says (compact, defragment, disarm the alarm): %w", queue.ErrFull, err)
	case errors.Is(err, rpctypes.ErrUserEmpty), errors.Is(err, rpctypes.ErrPermissionDenied):
		return fmt.Errorf("etcd at %s lets in only who has a name and password, and posthouse gives none: put etcd on a network of its own, and turn this off ('etcdctl auth disable'): %w", s.where(), err)
	case errors.Is(err, rpctypes.ErrLeaseNotFound):
		s.leases.forget()
	}
	return fmt.Errorf("etcd at %s: %w", s.where(), err)
}

// unreachable is what a caller is told that etcd did not answer in time.
func (s *Store) unreachable() error {
	return fmt.Errorf("etcd at %s did not answer for %v: is a majority of its members up?", s.where(), patience)
}

// pause waits; false: the store is closed and has waited long enough.
func (s *Store) pause(d time.Duration) bool {
	select {
	case <-s.life.Done():
		return false
	case <-time.After(d):
		return true
	}
}

// pauseAfter lets others go first, a little longer each time that they were faster.
func (s *Store) pauseAfter(attempt int) error {
	if attempt < 3 {
		return nil
	}
	if !s.pause(rand.N(min(time.Duration(attempt)*time.Millisecond, 50*time.Millisecond))) {
		return queue.ErrClosed
	}
	return nil
}
