//go:build hub

package etcdstore

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"runtime/debug"
	"slices"
	"time"

	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// step is one op and what became of it. It is reset by each attempt.
type step struct {
	op      queue.Op
	purge   []uint64 // instead of op: finished records that may go
	fresh   *queue.Record
	payload []byte // New: the record as written
	done    queue.Done
	gone    int
	over    bool // it has taken effect
}

// apart gives an op that sets more values than one transaction holds as several.
func apart(op queue.Op) (all []queue.Op) {
	if len(op.Put) <= maxKeys || op.New != nil || op.Change != nil {
		return []queue.Op{op}
	}
	names := slices.Sorted(maps.Keys(op.Put))
	for part := range slices.Chunk(names, maxKeys) {
		put := map[string][]byte{}
		for _, name := range part {
			put[name] = op.Put[name]
		}
		all = append(all, queue.Op{Put: put, Lazy: op.Lazy, Urgent: op.Urgent})
	}
	all[len(all)-1].Then = op.Then
	return all
}

// prepare checks an op and does what needs no etcd, in the caller's own goroutine.
func prepare(op queue.Op) (*step, error) {
	if err := op.Check(); err != nil {
		return nil, err
	}
	st := &step{op: op}
	if op.New == nil {
		st.op.Put = queue.CopySettings(op.Put)
		return st, nil
	}
	var err error
	if st.payload, err = boltstore.Encode(op.New); err != nil {
		return nil, err
	}
	st.fresh = boltstore.Clone(op.New)
	return st, nil
}

// carry adds a step to a plan. An error is one of asking etcd.
func (st *step) carry(ctx context.Context, p *plan, log *slog.Logger) error {
	st.done, st.gone = queue.Done{}, 0
	switch {
	case st.purge != nil:
		return st.remove(ctx, p)
	case st.op.New != nil:
		st.create(p)
		return nil
	case st.op.Change != nil:
		return st.change(ctx, p, log)
	}
	for name, val := range st.op.Put {
		p.settings[name] = val
	}
	return nil
}

func (st *step) create(p *plan) {
	at := st.fresh.Accepted.Age
	if st.op.SameFor > 0 {
		if seq, ok := p.knows(st.fresh.Identity, at.Add(-st.op.SameFor)); ok {
			st.done = queue.Done{Seq: seq, Duplicate: true}
			return
		}
	}
	if st.op.EventFor > 0 {
		if seq, ok := p.knows(st.fresh.Event, at.Add(-st.op.EventFor)); ok {
			st.done = queue.Done{Seq: seq, Duplicate: true}
			return
		}
	}
	st.done.Seq = p.insert(boltstore.Clone(st.fresh), st.payload, max(st.op.SameFor, st.op.EventFor))
	st.fresh.Seq = st.done.Seq
}

// change carries out a Change. What is wrong with the record or the function is
// in Done.Err.
func (st *step) change(ctx context.Context, p *plan, log *slog.Logger) error {
	st.done.Seq = st.op.Seq
	d, err := p.record(ctx, st.op.Seq)
	switch {
	case err != nil:
		return err
	case d.damaged:
		st.done.Err = fmt.Errorf("record %d: %w", st.op.Seq, queue.ErrDamaged)
		return nil
	case d.record == nil:
		st.done.Err = fmt.Errorf("record %d: %w", st.op.Seq, queue.ErrNotFound)
		return nil
	}
	r := boltstore.Clone(d.record)
	spawned, err := st.op.Alter(r, log)
	var payloads [][]byte
	if err == nil {
		payloads, err = encodeAll(append([]*queue.Record{r}, spawned...))
	}
	if err != nil {
		st.done.Err = err
		return nil
	}
	d.record, d.payload, d.changed = boltstore.Clone(r), payloads[0], true // r may hold memory of the Change
	st.fresh = d.record
	for i, child := range spawned {
		st.done.Spawned = append(st.done.Spawned, p.insert(boltstore.Clone(child), payloads[i+1], 0))
	}
	return nil
}

func encodeAll(records []*queue.Record) ([][]byte, error) {
	all := make([][]byte, len(records))
	for i, r := range records {
		var err error
		if all[i], err = boltstore.Encode(r); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// remove takes out finished records, but for those that were opened again.
func (st *step) remove(ctx context.Context, p *plan) error {
	for _, seq := range st.purge {
		d, err := p.record(ctx, seq)
		if err != nil {
			return err
		}
		if d.record == nil || d.record.Open() {
			continue
		}
		d.record, d.changed = nil, true
		st.gone++
	}
	return nil
}

// answer completes a Done: its record shares no memory with anybody.
func (st *step) answer() queue.Done {
	d := st.done
	if d.Err == nil && !d.Duplicate && st.fresh != nil {
		d.Record = boltstore.Clone(st.fresh)
	}
	return d
}

// tell calls an op's Then. One that panics does not end the committer.
func (st *step) tell(log *slog.Logger) {
	if st.op.Then == nil {
		return
	}
	defer func() {
		if p := recover(); p != nil {
			log.Error("telling what an op did", "id", st.done.Seq, "err", p, "stack", string(debug.Stack()))
		}
	}()
	st.op.Then(st.answer())
}

// keys is about how much room a step takes in a transaction.
func (st *step) keys() int {
	switch {
	case st.purge != nil:
		return len(st.purge)
	case st.op.New != nil:
		n := 1
		for _, id := range [...]queue.Identity{st.op.New.Identity, st.op.New.Event} {
			if id != (queue.Identity{}) {
				n++
			}
		}
		return n
	case st.op.Change != nil:
		return 2
	}
	return len(st.op.Put)
}

// leastMemory is how long an identity is remembered at least, also when nobody
// has asked for it: gateways of one mesh ask for the last hour (Store.Known).
const leastMemory = 2 * time.Hour
