//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/bridge/clock"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// What one etcd transaction holds: 128 comparisons, and as many changes, unless
// its operator raised --max-txn-ops; 1.5 MiB (--max-request-bytes).
const (
	maxKeys  = 120 // the rest is for the number and the process's own
	maxBytes = 1200 << 10
)

// errTooMuch says that a plan does not fit into one transaction.
var errTooMuch = errors.New("more than one etcd transaction holds")

// plan is one transaction in the making: what it goes by, and what will be.
type plan struct {
	s     *Store
	facts *facts

	records  map[uint64]*draft
	memories map[queue.Identity]*remembered
	settings map[string][]byte // nil: removed
	last     uint64            // the last number given; 0: none was
}

// draft is one record that was read or made.
type draft struct {
	record   *queue.Record // nil: there is none
	damaged  bool
	revision int64 // as it was read; 0: there was none
	payload  []byte
	changed  bool
}

// remembered is what is known of an identity.
type remembered struct {
	memory
	revision int64         // as it was read; 0: there was none
	known    bool          // etcd has said so; else it is only taken for unknown
	keep     time.Duration // how long it is to be remembered from now on
	changed  bool
}

func (s *Store) newPlan(f *facts) *plan {
	return &plan{s: s, facts: f, records: map[uint64]*draft{}, memories: map[queue.Identity]*remembered{}, settings: map[string][]byte{}}
}

// record reads a record as it will be after what is planned already.
func (p *plan) record(ctx context.Context, seq uint64) (*draft, error) {
	if d := p.records[seq]; d != nil {
		return d, nil
	}
	d, known := p.facts.records[seq]
	if !known {
		r, revision, err := p.s.mirror.Copied(ctx, seq)
		if err == nil {
			d = draft{record: r, revision: revision}
		} else if d, err = p.s.read(ctx, seq); err != nil {
			return nil, err
		}
	}
	if d.record != nil {
		d.record = boltstore.Clone(d.record)
	}
	p.records[seq] = &d
	return &d, nil
}

// identity tells what is known of an identity. What no failed attempt has told
// of is taken for unknown: mostly it is.
func (p *plan) identity(id queue.Identity) *remembered {
	m := p.memories[id]
	if m == nil {
		known := p.facts.memories[id]
		m = &known
		p.memories[id] = m
	}
	return m
}

// knows tells which record has an identity that was first seen at or after since.
func (p *plan) knows(id queue.Identity, since clock.Age) (uint64, bool) {
	if id == (queue.Identity{}) {
		return 0, false
	}
	m := p.identity(id)
	return m.seq, m.seq != 0 && m.age >= since
}

// insert gives a record the next number and adds it with its identities.
func (p *plan) insert(r *queue.Record, payload []byte, keep time.Duration) uint64 {
	r.Seq = p.number()
	p.records[r.Seq] = &draft{record: r, payload: payload, changed: true}
	for _, id := range [...]queue.Identity{r.Identity, r.Event} {
		if id == (queue.Identity{}) {
			continue
		}
		if m := p.identity(id); m.seq == 0 || r.Accepted.Age >= m.age {
			m.memory, m.changed, m.keep = memory{r.Seq, r.Accepted.Age}, true, max(keep, m.keep)
		}
	}
	return r.Seq
}

// txn is a plan as etcd takes it.
type txn struct {
	compare []clientv3.Cmp
	then    []clientv3.Op
	look    []clientv3.Op // what was compared, for when a comparison fails
}

func (t *txn) expect(key string, revision int64) {
	t.compare = append(t.compare, clientv3.Compare(clientv3.ModRevision(key), "=", revision))
	t.look = append(t.look, clientv3.OpGet(key))
}

// txn gives the transaction of a plan, without what the process adds.
func (p *plan) txn(ctx context.Context) (*txn, error) {
	t, size := &txn{}, 0
	k := p.s.keys
	for seq, d := range p.records {
		t.expect(k.record(seq), d.revision)
		switch {
		case d.changed && d.record == nil:
			t.then = append(t.then, clientv3.OpDelete(k.record(seq)))
		case d.changed:
			size += len(d.payload)
			t.then = append(t.then, clientv3.OpPut(k.record(seq), string(boltstore.Seal(seq, d.payload))))
		}
	}
	for id, m := range p.memories {
		if m.changed || !m.known {
			t.expect(k.identity(id), m.revision)
		}
		if !m.changed {
			continue
		}
		lease, err := p.s.leases.lasting(ctx, m.keep)
		if err != nil {
			return nil, err
		}
		t.then = append(t.then, clientv3.OpPut(k.identity(id), m.String(), clientv3.WithLease(lease)))
	}
	for name, val := range p.settings {
		size += len(name) + len(val)
		if val == nil {
			t.then = append(t.then, clientv3.OpDelete(k.setting(name)))
		} else {
			t.then = append(t.then, clientv3.OpPut(k.setting(name), string(val)))
		}
	}
	if len(t.compare) > maxKeys || len(t.then) > maxKeys || size > maxBytes {
		return nil, errTooMuch
	}
	if p.last > 0 {
		t.then = append(t.then, k.raise(p.last))
	}
	return t, nil
}

// facts are what etcd answered when an earlier attempt did not fit any more: they
// go before what the mirror says.
type facts struct {
	records  map[uint64]draft
	memories map[queue.Identity]remembered
}

func newFacts() *facts {
	return &facts{records: map[uint64]draft{}, memories: map[queue.Identity]remembered{}}
}

// learn takes in what etcd has where a comparison failed. Of what was compared
// and is not in the answer there is nothing.
func (f *facts) learn(p *plan, found map[string]found) error {
	k := p.s.keys
	for seq := range p.records {
		kv := found[k.record(seq)]
		f.records[seq] = openDraft(seq, kv)
	}
	for id, m := range p.memories {
		if !m.changed && m.known {
			continue
		}
		kv, ok := found[k.identity(id)]
		if !ok {
			f.memories[id] = remembered{known: true}
			continue
		}
		known, err := readMemory(kv.value)
		if err != nil {
			return err
		}
		f.memories[id] = remembered{memory: known, revision: kv.revision, known: true}
	}
	return nil
}

// found is a key that etcd has.
type found struct {
	value    []byte
	revision int64
}

// openDraft reads the value of a record; no value: there is none.
func openDraft(seq uint64, kv found) draft {
	if kv.revision == 0 {
		return draft{}
	}
	payload, err := boltstore.Unseal(seq, kv.value)
	if err != nil {
		return draft{damaged: true, revision: kv.revision}
	}
	r, err := boltstore.Decode(seq, payload)
	if err != nil {
		return draft{damaged: true, revision: kv.revision}
	}
	return draft{record: r, revision: kv.revision}
}

// read asks etcd itself for a record.
func (s *Store) read(ctx context.Context, seq uint64) (draft, error) {
	resp, err := s.client.Get(ctx, s.keys.record(seq))
	if err != nil {
		return draft{}, fmt.Errorf("reading record %d: %w", seq, s.explain(err))
	}
	if len(resp.Kvs) == 0 {
		return draft{}, nil
	}
	return openDraft(seq, found{resp.Kvs[0].Value, resp.Kvs[0].ModRevision}), nil
}
