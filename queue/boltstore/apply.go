package boltstore

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"

	"posthouse/queue"
	"posthouse/queue/line"
)

// Apply implements queue.Store.
func (s *Store) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if len(ops) == 0 {
		return nil, ctx.Err()
	}
	a := &apply{steps: make([]step, len(ops)), lazy: true, log: s.log}
	for i, op := range ops {
		if err := a.steps[i].prepare(op); err != nil {
			return nil, err
		}
		a.lazy = a.lazy && op.Lazy
	}
	if err := s.do(ctx, &call{Call: line.Call{Ops: len(ops), Lazy: a.lazy}, carry: a.carry, then: a.tell}); err != nil {
		return nil, err
	}
	if a.lazy {
		return make([]queue.Done, len(ops)), nil
	}
	return a.answer(), nil
}

// apply is the ops of one Apply.
type apply struct {
	steps []step
	lazy  bool // nobody waits for the answer
	log   *slog.Logger
}

// step is one op and its result. Each carry resets it.
type step struct {
	op    queue.Op
	fresh *queue.Record // a copy of our own: of a New, or of the record after a Change that is asked for
	room  []byte        // New: the record as written, see encodeIn
	done  queue.Done
}

// prepare checks an op and does what needs no transaction. It runs in the caller's
// goroutine, to save time of the committer, which all callers share.
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
	if st.room, err = encodeIn(op.New); err != nil {
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

// carry drafts all steps, in order, if there is room for all of them.
func (a *apply) carry(d *draft) error {
	if err := a.admit(d); err != nil {
		return err
	}
	for i := range a.steps {
		st := &a.steps[i]
		st.done = queue.Done{}
		switch {
		case st.op.New != nil:
			st.create(d)
		case st.op.Change != nil:
			st.change(d, a.log)
		default:
			d.edits = append(d.edits, settingEdits(st.op.Put)...)
		}
	}
	return nil
}

// admit asks for room for each new record. While there is plenty it need not look up
// which of them are duplicates.
func (a *apply) admit(d *draft) error {
	if d.roomForAll(a.steps) {
		return nil
	}
	for i := range a.steps {
		st := &a.steps[i]
		if st.op.New == nil {
			continue
		}
		if _, known := st.knownTo(d); known {
			continue
		}
		if err := d.admit(st.fresh, st.op.Urgent, len(st.room)-sealLen); err != nil {
			return err
		}
	}
	return nil
}

// answer returns the Dones once all is on disk.
func (a *apply) answer() []queue.Done {
	done := make([]queue.Done, len(a.steps))
	for i := range a.steps {
		done[i] = a.steps[i].answer(true)
	}
	return done
}

// answer completes a Done. Its record shares no memory with anything else: the last
// answer gets our copy, earlier ones a clone.
func (st *step) answer(last bool) queue.Done {
	d := st.done
	if d.Err != nil || d.Duplicate || st.fresh == nil {
		return d
	}
	if d.Record = st.fresh; !last {
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
		d := st.answer(a.lazy)
		if err := st.then(d); err != nil {
			a.log.Error("a callback of the store failed", "id", d.Seq, "err", err)
		}
	}
}

// then calls an op's Then, and recovers so that a panic does not end the committer.
func (st *step) then(d queue.Done) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("its Then panicked: %v\n%s", p, debug.Stack())
		}
	}()
	st.op.Then(d)
	return nil
}

// create drafts a New.
func (st *step) create(d *draft) {
	if seq, known := st.knownTo(d); known {
		st.done = queue.Done{Seq: seq, Duplicate: true}
		return
	}
	st.done.Seq = d.insert(st.fresh, st.room)
}

// knownTo finds the record of which a New is a duplicate.
func (st *step) knownTo(d *draft) (uint64, bool) {
	at := st.fresh.Accepted.Age
	if st.op.SameFor > 0 {
		if seq, ok := d.known(st.fresh.Identity, at.Add(-st.op.SameFor)); ok {
			return seq, true
		}
	}
	if st.op.EventFor > 0 {
		return d.known(st.fresh.Event, at.Add(-st.op.EventFor))
	}
	return 0, false
}

// change drafts a Change. An error of the record or the function goes into Done.Err.
func (st *step) change(d *draft, log *slog.Logger) {
	st.done.Seq = st.op.Seq
	r, was, err := d.read(st.op.Seq, st.op.Read)
	st.op.Read = nil // changed now: another carry has to read the record again
	if err != nil {
		st.done.Err = err
		return
	}
	spawned, err := st.op.Alter(r, log)
	var rooms [][]byte
	if err == nil {
		rooms, err = encodeAll(append([]*queue.Record{r}, spawned...))
	}
	if err != nil {
		st.done.Err = err
		return
	}
	switch {
	case !st.op.Lazy:
		st.fresh = clone(r) // r may hold memory of the Change
	case st.op.Then != nil:
		st.fresh, r.Version = r, 0
	}
	d.replace(r, rooms[0], was)
	for i, r := range spawned {
		child := *r
		st.done.Spawned = append(st.done.Spawned, d.insert(&child, rooms[1+i]))
	}
}

func encodeAll(records []*queue.Record) ([][]byte, error) {
	all := make([][]byte, len(records))
	for i, r := range records {
		var err error
		if all[i], err = encodeIn(r); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// settingEdits returns the edits of a Put.
func settingEdits(put map[string][]byte) (all []edit) {
	for name, val := range put {
		e := edit{what: putSetting, name: name, val: val}
		if val == nil {
			e.what = delSetting
		}
		all = append(all, e)
	}
	return all
}

// settingKey has a prefix, since bbolt takes no empty key.
func settingKey(name string) []byte { return append([]byte{'s'}, name...) }
