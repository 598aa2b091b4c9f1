package boltstore

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// Apply implements queue.Store.
func (s *Store) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if len(ops) == 0 {
		return nil, ctx.Err()
	}
	a := &apply{steps: make([]step, len(ops)), log: s.log}
	lazy := true
	for i, op := range ops {
		if err := a.steps[i].prepare(op); err != nil {
			return nil, err
		}
		lazy = lazy && op.Lazy
	}
	if err := s.do(ctx, &call{carry: a.carry, then: a.tell, ops: len(ops), lazy: lazy}); err != nil {
		return nil, err
	}
	if lazy {
		return make([]queue.Done, len(ops)), nil
	}
	return a.answer(), nil
}

// apply is the ops of one Apply on their way.
type apply struct {
	steps []step
	log   *slog.Logger
}

// step is one op and what became of it. It is reset by each carry.
type step struct {
	op      queue.Op
	fresh   *queue.Record // the store's own copy: of a New, or of the record after a Change
	payload []byte        // New: the record as written
	done    queue.Done
}

// prepare checks an op and does what needs no transaction, in the caller's own
// goroutine: the committer is the one thing that all callers share.
func (st *step) prepare(op queue.Op) error {
	st.op = op
	if err := op.Check(); err != nil {
		return err
	}
	if op.New == nil {
		st.op.Put = queue.CopySettings(op.Put)
		return nil
	}
	var err error
	if st.payload, err = encode(op.New); err != nil {
		return err
	}
	st.fresh = clone(op.New)
	return nil
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// carry carries all steps out, in order, when there is room for all of them.
func (a *apply) carry(t *txn) error {
	if err := a.admit(t); err != nil {
		return &refusal{err}
	}
	for i := range a.steps {
		st := &a.steps[i]
		st.done = queue.Done{}
		var err error
		switch {
		case st.op.New != nil:
			err = st.create(t)
		case st.op.Change != nil:
			err = st.change(t, a.log)
		default:
			err = putSettings(t, st.op.Put)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// refusal is the error of a call that was turned away before it wrote anything.
type refusal struct{ err error }

func (r *refusal) Error() string { return r.err.Error() }
func (r *refusal) Unwrap() error { return r.err }

// admit asks for room for each record that is new. While there is plenty, nobody
// need look which of them are known already.
func (a *apply) admit(t *txn) error {
	if t.roomForAll(a.steps) {
		return nil
	}
	for i := range a.steps {
		st := &a.steps[i]
		if st.op.New == nil {
			continue
		}
		if _, known := st.knownTo(t); known {
			continue
		}
		if err := t.room(st.fresh, st.op.Urgent, len(st.payload)); err != nil {
			return err
		}
	}
	return nil
}

// answer gives the Dones once all is on disk.
func (a *apply) answer() []queue.Done {
	done := make([]queue.Done, len(a.steps))
	for i := range a.steps {
		done[i] = a.steps[i].answer()
	}
	return done
}

// answer completes a Done: its record shares no memory with anybody.
func (st *step) answer() queue.Done {
	d := st.done
	if d.Err == nil && !d.Duplicate && st.op.Put == nil {
		d.Record = clone(st.fresh)
	}
	return d
}

// tell calls the Then of each op, once they are on disk.
func (a *apply) tell() {
	for i := range a.steps {
		st := &a.steps[i]
		if st.op.Then == nil {
			continue
		}
		d := st.answer()
		if err := st.then(d); err != nil {
			a.log.Error("telling what an op did", "id", d.Seq, "err", err)
		}
	}
}

// then keeps a Then that panics from ending the committer.
func (st *step) then(d queue.Done) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("its Then panicked: %v\n%s", p, debug.Stack())
		}
	}()
	st.op.Then(d)
	return nil
}

// create carries out a New.
func (st *step) create(t *txn) error {
	if seq, known := st.knownTo(t); known {
		st.done = queue.Done{Seq: seq, Duplicate: true}
		return nil
	}
	seq, err := t.insert(st.fresh, st.payload)
	st.done.Seq = seq
	return err
}

// knownTo tells whether a New is the same as a record that is there.
func (st *step) knownTo(t *txn) (uint64, bool) {
	at := st.fresh.Accepted.Age
	if st.op.SameFor > 0 {
		if seq, ok := known(t.tx, st.fresh.Identity, at.Add(-st.op.SameFor)); ok {
			return seq, true
		}
	}
	if st.op.EventFor > 0 {
		return known(t.tx, st.fresh.Event, at.Add(-st.op.EventFor))
	}
	return 0, false
}

// insert gives a record the next number, writes it and files it.
func (t *txn) insert(r *queue.Record, payload []byte) (uint64, error) {
	seq, err := t.records.NextSequence()
	if err != nil {
		return 0, fmt.Errorf("taking a number: %w", err)
	}
	r.Seq = seq
	if err := t.write(seq, payload); err != nil {
		return 0, err
	}
	t.counts.Records++
	return seq, t.file(nil, entries(r))
}

func (t *txn) write(seq uint64, payload []byte) error {
	key := recordKey(seq)
	return t.putPlain(recordBucket, key, isRecord.seal(key, payload, t.counts.Commits))
}

// change carries out a Change. What is wrong with the record or the function is
// in Done.Err; a returned error is one of writing.
func (st *step) change(t *txn, log *slog.Logger) error {
	st.done.Seq = st.op.Seq
	r, err := readRecord(t.tx, st.op.Seq)
	if err != nil {
		st.done.Err = err
		return t.quarantine(st.op.Seq)
	}
	was := entries(r)
	spawned, err := st.op.Alter(r, log)
	var payloads [][]byte
	if err == nil {
		payloads, err = encodeAll(append([]*queue.Record{r}, spawned...))
	}
	if err != nil {
		st.done.Err = err
		return nil
	}
	if !st.op.Lazy || st.op.Then != nil { // somebody will ask for it
		st.fresh = clone(r) // r may hold memory of the Change
	}
	if err := t.write(r.Seq, payloads[0]); err != nil {
		return err
	}
	if err := t.file(was, entries(r)); err != nil {
		return err
	}
	return st.spawn(t, spawned, payloads[1:])
}

// spawn creates the records that a Change returned.
func (st *step) spawn(t *txn, records []*queue.Record, payloads [][]byte) error {
	for i, r := range records {
		child := *r
		seq, err := t.insert(&child, payloads[i])
		if err != nil {
			return err
		}
		st.done.Spawned = append(st.done.Spawned, seq)
	}
	return nil
}

func encodeAll(records []*queue.Record) ([][]byte, error) {
	all := make([][]byte, len(records))
	for i, r := range records {
		var err error
		if all[i], err = encode(r); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// putSettings carries out a Put.
func putSettings(t *txn, put map[string][]byte) error {
	for name, val := range put {
		key := settingKey(name)
		var err error
		if val == nil {
			err = t.delPlain(settingBucket, key)
		} else {
			err = t.putPlain(settingBucket, key, isSetting.seal(key, val, t.counts.Commits))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// settingKey makes room for the empty name, which bbolt does not take.
func settingKey(name string) []byte { return append([]byte{'s'}, name...) }

// room answers ErrFull to a New that the store has no room for. Receipts and
// emergencies are what may empty it again, or must not wait: they get into the
// reserve.
func (t *txn) room(r *queue.Record, urgent bool, size int) error {
	urgent = urgent || r.Message.Kind == message.Receipt || r.Message.Precedence == message.Emergency
	limit := t.full.normal
	if urgent {
		limit = t.full.urgent
	}
	t.full.used += int64(size) * 2 // with its indexes
	if t.full.used > limit {
		return fmt.Errorf("%w: %d MiB in use", queue.ErrFull, t.full.used>>20)
	}
	return nil
}

// roomForAll takes the room for every New, if none of them comes near a limit.
func (t *txn) roomForAll(steps []step) bool {
	size := int64(0)
	for i := range steps {
		size += int64(len(steps[i].payload)) * 2
	}
	if t.full.used+size > t.full.normal {
		return false
	}
	t.full.used += size
	return true
}

// fullness is how much of the file is in use and how far it may go, in bytes.
type fullness struct {
	used, normal, urgent int64
}
