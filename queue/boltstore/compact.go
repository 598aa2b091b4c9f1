package boltstore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// A bbolt file never shrinks, and a long list of free pages makes commits or starts slow.
// So it is compacted while the store works: everything is copied into a fresh file; keys
// that are written meanwhile are noted and copied again, the last few of them while the
// committer stands still, which then goes on with the fresh file. A crash at any moment
// leaves the old file or the new.

const (
	compactAgain = time.Hour   // between two compactions
	compactRetry = time.Minute // after one that failed, doubled each time
	maxNoted     = 50_000      // keys; beyond that writing is faster than copying: give up for now
	compactExt   = ".compact"
	fewNoted     = 500     // keys that are copied while the committer stands still
	copyBatch    = 1 << 20 // bytes in one transaction of the copy
)

var errBusy = errors.New("too much is being written")

// journal notes the keys that are written while the file is being compacted.
type journal struct {
	keys map[noted]struct{}
}

// noted is a key of a bucket; in ident it begins with the hour.
type noted struct{ bucket, key string }

func newJournal() *journal { return &journal{keys: map[noted]struct{}{}} }

func (j *journal) note(bucket, key []byte) {
	if j != nil && len(j.keys) <= maxNoted {
		j.keys[noted{string(bucket), string(key)}] = struct{}{}
	}
}

// compactIfDue starts a compaction if the list of free pages is too long to be written
// with each checkpoint and at least an eighth of the file is free. The committer calls it
// after each checkpoint, with mu held.
func (s *Store) compactIfDue(tx *bolt.Tx) {
	pageSize := int64(tx.DB().Info().PageSize)
	st := tx.DB().Stats()
	free := st.FreePageN + st.PendingPageN
	if free <= longFreelist || int64(free)*pageSize < tx.Size()/8 || !time.Now().After(s.compactAt) {
		return
	}
	if s.compacting || s.closing {
		return
	}
	s.compacting = true
	s.background.Go(func() {
		err := s.compact(s.life)
		s.mu.Lock()
		defer s.mu.Unlock()
		s.compacting = false
		if err != nil && s.life.Err() == nil {
			s.log.Warn("compacting the queue's file failed; it goes on as it is", "err", err)
		}
	})
}

// Compact compacts the file now.
func (s *Store) Compact(ctx context.Context) error {
	s.mu.Lock()
	busy := s.compacting
	s.compacting = true
	s.mu.Unlock()
	if busy {
		return errors.New("the queue is being compacted already")
	}
	err := s.compact(ctx)
	s.mu.Lock()
	s.compacting = false
	s.mu.Unlock()
	return err
}

func (s *Store) compact(ctx context.Context) (err error) {
	begun := time.Now()
	f, err := s.acquire()
	if err != nil {
		return err
	}
	defer s.release(f)
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			s.mu.Lock()
			defer s.mu.Unlock()
			err = s.breakDown(f, p)
		}
	}()
	before, err := s.roomToCopy(f)
	if err != nil {
		return err
	}
	c := &compaction{s: s, from: f, path: s.path + compactExt}
	err = c.run(ctx)
	if done := c.swapped; !done {
		err = errors.Join(err, c.abandon())
	}
	if err != nil {
		return err
	}
	s.log.Info("the queue's file was compacted", "was", before, "is", c.size, "took", time.Since(begun))
	return nil
}

// roomToCopy returns the size of the file, or an error if the disk has no room for a
// second one.
func (s *Store) roomToCopy(f *file) (size int64, err error) {
	err = f.db.View(func(tx *bolt.Tx) error {
		used := usedIn(tx)
		size = tx.Size()
		if free, ok := diskFree(s.path); ok && free < used+s.opts.MinFree {
			return fmt.Errorf("%w: compacting needs %d MiB of room on the disk, %d are left", queue.ErrFull, used>>20, free>>20)
		}
		return nil
	})
	return size, err
}

// compaction is one run.
type compaction struct {
	s       *Store
	from    *file
	to      *file
	path    string
	size    int64
	swapped bool
}

func (c *compaction) run(ctx context.Context) error {
	_ = os.Remove(c.path) // of a run that could not clean up
	opts := c.s.opts
	opts.NoSync = true // until it is complete
	to, err := openFile(c.path, opts)
	if err != nil {
		return err
	}
	c.to = to
	if _, err := c.swapJournal(ctx); err != nil {
		return err
	}
	if err := c.copyAll(ctx); err != nil {
		return err
	}
	for {
		j, err := c.swapJournal(ctx)
		if err != nil {
			return err
		}
		if err := c.catchUp(j); err != nil {
			return err
		}
		if len(j.keys) <= fewNoted {
			break
		}
	}
	if err := c.to.db.Sync(); err != nil { // most of it, before the pause
		return err
	}
	return c.s.alone(ctx, c.finish)
}

// swapJournal returns what was noted so far and begins anew.
func (c *compaction) swapJournal(ctx context.Context) (was *journal, err error) {
	err = c.s.alone(ctx, func() error {
		was = c.s.setJournal(newJournal())
		return c.s.checkpoint() // the copy is made of what the data file has
	})
	if err == nil && was != nil && len(was.keys) > maxNoted {
		err = errBusy
	}
	return was, err
}

// setJournal returns the journal that was in use until now. Only the committer calls it.
func (s *Store) setJournal(j *journal) (was *journal) {
	s.mu.Lock()
	defer s.mu.Unlock()
	was, s.txn.journal = s.txn.journal, j
	return was
}

// copyAll copies every bucket, in many short transactions: a long one would keep pages
// from being reused, and could make the committer wait. What changes between them is in
// the journal.
func (c *compaction) copyAll(ctx context.Context) error {
	var names [][]byte
	err := c.from.db.View(func(tx *bolt.Tx) error {
		return tx.ForEach(func(name []byte, _ *bolt.Bucket) error {
			names = append(names, bytes.Clone(name))
			return nil
		})
	})
	for _, name := range names {
		if err == nil {
			err = c.copyBucket(ctx, [][]byte{name})
		}
	}
	return err
}

func (c *compaction) copyBucket(ctx context.Context, path [][]byte) error {
	var inner [][]byte // names of buckets in it
	for last, more := []byte(nil), true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := c.both(func(from, to *bolt.Tx) (err error) {
			last, more, err = copyChunk(dig(from, path), dig(to, path), last, &inner)
			return err
		})
		if err != nil {
			return err
		}
	}
	for _, name := range inner {
		if err := c.copyBucket(ctx, append(path[:len(path):len(path)], name)); err != nil {
			return err
		}
	}
	return nil
}

// both runs f with both files.
func (c *compaction) both(f func(from, to *bolt.Tx) error) error {
	return c.from.db.View(func(from *bolt.Tx) error {
		return c.to.db.Update(func(to *bolt.Tx) error { return f(from, to) })
	})
}

// dig returns the bucket at a path; a writable transaction makes those that are missing
// below the first.
func dig(tx *bolt.Tx, path [][]byte) *bolt.Bucket {
	b := tx.Bucket(path[0])
	for _, name := range path[1:] {
		switch {
		case b == nil:
			return nil
		case tx.Writable():
			b = must(b.CreateBucketIfNotExists(name))
		default:
			b = b.Bucket(name)
		}
	}
	return b
}

// copyChunk copies what comes after the key last, up to copyBatch bytes.
func copyChunk(from, to *bolt.Bucket, last []byte, inner *[][]byte) (end []byte, more bool, err error) {
	if from == nil {
		return nil, false, nil // dropped meanwhile
	}
	to.FillPercent = 0.9 // most is finished and will not grow
	cur := from.Cursor()
	key, val := cur.First()
	if last != nil {
		if key, val = cur.Seek(last); bytes.Equal(key, last) {
			key, val = cur.Next()
		}
	}
	for size := 0; key != nil; key, val = cur.Next() {
		if size += len(key) + len(val); size > copyBatch && end != nil {
			return end, true, nil
		}
		if val == nil {
			*inner = append(*inner, bytes.Clone(key))
		} else if err := to.Put(key, val); err != nil {
			return nil, false, err
		}
		end = bytes.Clone(key)
	}
	return nil, false, nil
}

// catchUp copies the present state of each noted key. Hours of identities that were
// dropped come first, since they may have been made again.
func (c *compaction) catchUp(j *journal) error {
	return c.both(func(from, to *bolt.Tx) error {
		for k := range j.keys {
			if k.isHour() {
				if err := copyHour(from, to, []byte(k.key)); err != nil {
					return err
				}
			}
		}
		for k := range j.keys {
			if !k.isHour() {
				if err := copyKey(from, to, k); err != nil {
					return err
				}
			}
		}
		last := from.Bucket(recordBucket).Sequence()
		return to.Bucket(recordBucket).SetSequence(last)
	})
}

// isHour tells whether a whole hour of identities was dropped.
func (k noted) isHour() bool { return k.bucket == string(indexName[ident]) && len(k.key) == ageLen }

func copyHour(from, to *bolt.Tx, hour []byte) error {
	b := to.Bucket(indexName[ident])
	if b.Bucket(hour) != nil {
		if err := b.DeleteBucket(hour); err != nil {
			return err
		}
	}
	src := from.Bucket(indexName[ident]).Bucket(hour)
	if src == nil {
		return nil
	}
	dst, err := b.CreateBucket(hour)
	if err != nil {
		return err
	}
	return src.ForEach(dst.Put)
}

func copyKey(from, to *bolt.Tx, k noted) error {
	path, key := [][]byte{[]byte(k.bucket)}, []byte(k.key)
	if k.bucket == string(indexName[ident]) {
		path, key = append(path, key[:ageLen]), key[ageLen:]
	}
	src := dig(from, path)
	if src == nil {
		return nil // its hour is gone, and noted as such
	}
	dst := dig(to, path)
	if val := src.Get(key); val != nil {
		return dst.Put(key, val)
	}
	return dst.Delete(key)
}

// finish runs in the committer: it copies the rest and replaces the old file by the fresh
// one.
func (c *compaction) finish() error {
	s := c.s
	if s.file != c.from {
		return errReplaced
	}
	if err := s.checkpoint(); err != nil {
		return err
	}
	rest := s.setJournal(nil)
	if len(rest.keys) > maxNoted {
		return errBusy
	}
	c.to.db.NoFreelistSync = false
	if err := c.catchUp(rest); err != nil {
		return err
	}
	if err := c.to.db.Sync(); err != nil {
		return err
	}
	c.to.db.NoSync = s.opts.NoSync
	t, err := begin(c.to, s.wal, s.opts)
	if err != nil {
		return err
	}
	if err := os.Rename(c.path, s.path); err != nil {
		return errors.Join(err, t.tx.Rollback())
	}
	if err := syncDir(filepath.Dir(s.path)); err != nil {
		s.unsettle(t)
	}
	s.mu.Lock()
	err = s.txn.tx.Rollback() // nothing was changed in it
	s.file, s.txn = c.to, t
	s.mu.Unlock()
	s.retire(c.from)
	s.full.Store(false)
	c.swapped, c.size = true, t.tx.Size()
	s.compactAt, s.compactWait = time.Now().Add(compactAgain), compactRetry
	return err
}

// abandon cleans up after a run that failed.
func (c *compaction) abandon() error {
	err := c.s.alone(context.Background(), func() error {
		c.s.setJournal(nil)
		c.s.compactAt = time.Now().Add(c.s.compactWait)
		c.s.compactWait = min(2*c.s.compactWait, compactAgain)
		return nil
	})
	if errors.Is(err, queue.ErrClosed) {
		err = nil
	}
	if c.to == nil {
		return err
	}
	return errors.Join(err, c.to.db.Close(), os.Remove(c.path))
}
