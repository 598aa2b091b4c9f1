package boltstore

import (
	"context"
	"errors"
	"fmt"
	"maps"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/clock"
	"posthouse/queue"
	"posthouse/queue/line"
)

// Purge implements queue.Store. The search does not use the committer, which only removes
// what was found.
func (s *Store) Purge(ctx context.Context, before, identitiesBefore clock.Age, n int) (int, error) {
	var old []uint64
	stale := false
	err := s.view(ctx, func(tx *bolt.Tx) (err error) {
		hour, _ := tx.Bucket(indexName[ident]).Cursor().First()
		stale = hour != nil && getAge(hour) < hourOf(identitiesBefore)
		old, err = finished(ctx, tx, before, min(n, maxBatch))
		return err
	})
	if err != nil || len(old) == 0 && !stale {
		return 0, err
	}
	gone := 0
	err = s.do(ctx, &call{Call: line.Call{Ops: 1 + len(old)}, carry: func(d *draft) error {
		gone = 0
		for _, seq := range old {
			gone += bit(d.purge(seq))
		}
		if len(old) > 0 {
			d.edits = append(d.edits, edit{what: purgedTo, age: before})
		}
		if stale {
			d.edits = append(d.edits, edit{what: forgetIDs, age: identitiesBefore})
		}
		return nil
	}})
	if err != nil {
		return 0, err
	}
	return gone, nil
}

// finished finds up to n finished records that were accepted before an age, the oldest
// first. Open ones are skipped without being read. Records are in the order of acceptance,
// so the first young one ends the search.
func finished(ctx context.Context, tx *bolt.Tx, before clock.Age, n int) (all []uint64, err error) {
	next, nextOpen := allSeqs(tx), openSeqs(tx)
	open, hasOpen := nextOpen(0)
	for seq, ok := next(0); ok && len(all) < n; seq, ok = next(seq) {
		if hasOpen && open < seq {
			open, hasOpen = nextOpen(seq - 1)
		}
		if hasOpen && open == seq {
			continue
		}
		r, err := readRecord(tx, seq)
		if errors.Is(err, queue.ErrDamaged) || errors.Is(err, queue.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if r.Accepted.Age >= before {
			break
		}
		all = append(all, seq)
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// purge removes a record. Its identity is kept until its own time is over.
func (t *txn) purge(seq uint64) error {
	r, err := readRecord(t.tx, seq)
	if err != nil {
		return t.quarantine(seq) // damaged since; does nothing if it is gone
	}
	return t.erase(r)
}

// erase removes a record and its index entries, but not its identities.
func (t *txn) erase(r *queue.Record) error {
	if err := t.file(entries(r), nil); err != nil {
		return err
	}
	t.counts.Records--
	t.freed = true
	return t.delPlain(recordBucket, recordKey(r.Seq))
}

// forget drops the identities of each hour that ended before an age.
func (t *txn) forget(before clock.Age) error {
	hours := t.bucket(ident)
	last := hourOf(before)
	for {
		hour, _ := hours.Cursor().First()
		if hour == nil || getAge(hour) >= last {
			break
		}
		hour = append([]byte(nil), hour...)
		t.journal.note(indexName[ident], hour)
		if err := hours.DeleteBucket(hour); err != nil {
			return fmt.Errorf("forgetting identities: %w", err)
		}
		t.freed = true
	}
	maps.DeleteFunc(t.sighted, func(_ queue.Identity, s seen) bool { return hourOf(s.age) < last })
	t.counts.Forgotten = max(t.counts.Forgotten, int64(last))
	return nil
}
