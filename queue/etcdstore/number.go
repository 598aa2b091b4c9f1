//go:build hub

package etcdstore

import (
	"context"
	"math/rand/v2"

	clientv3 "go.etcd.io/etcd/client/v3"
)

// Numbers tell which text of a lane comes first. Each process gives them without
// asking the others, above all that it has seen: what it takes in after its mirror
// shows another process's text has a higher number than that text. It waits for its
// own transactions to show before it confirms, and for all that was before when it is
// given a part of the work. So texts that one process takes in keep their order, also
// when it takes over from another. Of two mails that one person gives to two
// processes, the second before the first shows, either may go first: as mail has it.
//
// One counter for all was slower with each process that wrote: whoever was slower
// with a number had its transaction fail, with all that was in it.

// spread is how far a process's next numbers may lie above the highest when there are
// others: far enough that two at once seldom choose the same. If they do, one of the
// transactions fails, since the record must not exist yet, and chooses anew.
const spread = 10_000

// number gives a record its number.
func (p *plan) number() uint64 {
	if p.last == 0 {
		p.last = p.s.follower.highestNumber()
		if len(p.s.session.living()) > 1 {
			p.last += rand.Uint64N(spread)
		}
	}
	p.last++
	return p.last
}

// raise sees to it that no number is given twice, not even when the record that had
// it is gone: one key has the highest.
func (k keys) raise(to uint64) clientv3.Op {
	return clientv3.OpTxn([]clientv3.Cmp{clientv3.Compare(clientv3.Value(k.number()), "<", number(to))},
		[]clientv3.Op{clientv3.OpPut(k.number(), number(to))}, nil)
}

// numbered reads the highest number, at the revision of now; it makes the key that has
// it where there is none yet, since etcd finds nothing less than what is not there.
func (s *Store) numbered(ctx context.Context) (highest uint64, revision int64, err error) {
	key := s.keys.number()
	resp, err := s.client.Txn(ctx).If(clientv3.Compare(clientv3.CreateRevision(key), "=", 0)).
		Then(clientv3.OpPut(key, number(0))).Else(clientv3.OpGet(key)).Commit()
	if err != nil {
		return 0, 0, err
	}
	if !resp.Succeeded {
		highest = readNumber(resp.Responses[0].GetResponseRange().Kvs[0].Value)
	}
	return highest, resp.Header.Revision, nil
}
