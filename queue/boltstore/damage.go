package boltstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"posthouse/queue"
	"posthouse/queue/line"
)

// suspect takes a record that could not be read out of the schedule, since it would block
// its lane for ever. Its bytes are kept.
func (s *Store) suspect(seq uint64) {
	s.mu.Lock()
	known := s.suspects[seq]
	s.suspects[seq] = true
	s.mu.Unlock()
	if known {
		return
	}
	c := &call{Call: line.Call{Ops: 1, Done: make(chan struct{})}, carry: func(d *draft) error {
		_, _, _ = d.read(seq, nil) // sets it aside if it is damaged
		return nil
	}}
	if s.line.Add(c) == nil {
		s.log.Error("a record is damaged and was taken out of the queue; its bytes are kept", "id", seq)
	}
}

// quarantine moves a record away if it cannot be read, and removes its index entries. Its
// links are unknown, so all indexes are searched for its Seq, which is slow but rare.
func (t *txn) quarantine(seq uint64) error {
	key := recordKey(seq)
	raw := t.records.Get(key)
	if raw == nil {
		return nil
	}
	if _, err := openRecord(seq, raw); !errors.Is(err, queue.ErrDamaged) {
		return nil
	}
	if err := t.setAside(key, bytes.Clone(raw)); err != nil {
		return err
	}
	t.counts.Records--
	for _, e := range t.entriesOf(seq) {
		if err := t.drop(e); err != nil {
			return err
		}
	}
	return nil
}

func (t *txn) setAside(key, raw []byte) error {
	t.counts.Damaged++
	if err := t.putPlain(damagedBucket, key, raw); err != nil {
		return err
	}
	return t.delPlain(recordBucket, key)
}

// entriesOf finds the index entries of a record without reading it: all but its head,
// which goes with the lane, and its identity, which stays known.
func (t *txn) entriesOf(seq uint64) (all []entry) {
	for _, i := range []index{lanes, later, held, frames, open, expire} {
		cur := t.bucket(i).Cursor()
		for key, val := cur.First(); key != nil; key, val = cur.Next() {
			if seqOf(i, key) == seq && !(i == later && len(val) > 0) {
				all = append(all, entry{i, bytes.Clone(key), bytes.Clone(val)})
			}
		}
	}
	return all
}

// seqOf returns the Seq in a key of an index.
func seqOf(i index, key []byte) uint64 {
	tail := map[index]int{lanes: itemLen, ready: itemLen, later: itemLen, held: itemLen, frames: itemLen + nthLen, open: seqLen, expire: seqLen}[i]
	return binary.BigEndian.Uint64(key[len(key)-tail:])
}

// breakDown notes that a page of a file is damaged, wakes the committer to repair it, and
// returns the error for callers until then. mu is held.
func (s *Store) breakDown(f *file, p any) error {
	err := fmt.Errorf("%w: a page of %s cannot be read (%v); what can be read is being saved into a fresh file", queue.ErrDamaged, s.path, p)
	if s.bad == nil && s.file == f { // else it was replaced meanwhile
		s.bad = err
		s.log.Error("the queue's file is damaged", "err", err, "stack", string(debug.Stack()))
		s.line.Ring()
	}
	return err
}

func (s *Store) broken() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bad
}

// repairPause is the wait between two tries to repair the file.
const repairPause = time.Minute

// repair does with a file that was damaged while in use what Open does with a damaged
// one, and goes on with the fresh file.
func (s *Store) repair() {
	if !s.repaired.IsZero() && time.Since(s.repaired) < repairPause {
		return
	}
	s.repaired = time.Now()
	if s.lookForAnother() {
		return // that one is not ours to repair
	}
	s.rests()           // it may take minutes, and Healthy says why
	s.full.Store(false) // the fresh file is measured anew
	why := s.broken()
	f, t, err := replaceDamaged(s.path, s.wal, s.opts, why)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		err = s.opts.Advise(err)
		s.bad = fmt.Errorf("%w: %s could not be repaired while running: start posthouse again once this is solved: %w", queue.ErrDamaged, s.path, err)
		s.log.Error("the damaged queue could not be repaired", "err", err)
		return
	}
	s.retire(s.file)
	s.file, s.txn, s.bad, s.suspects = f, t, nil, map[uint64]bool{}
	s.watchers.tell(s.openLinks())
}

// openLinks returns the links with open deliveries; s.mu is held.
func (s *Store) openLinks() map[string]struct{} {
	links := map[string]struct{}{}
	for key := range s.txn.counts.Open {
		if link, _, ok := cutText([]byte(key)); ok {
			links[link] = struct{}{}
		}
	}
	return links
}

// Verify reads the whole store and checks that the indexes have exactly what follows from
// the records. It is for tests: memory and time grow with the store.
func (s *Store) Verify(ctx context.Context) error {
	return s.reading(ctx, verify)
}
