package boltstore

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/line"
)

// Options are for Open; the zero value is right for a gateway.
type Options struct {
	// MaxBytes is the largest size of the records and indexes; 0: 2 GiB, or 192 MiB
	// with 32-bit addresses, since the file is mapped into memory.
	MaxBytes int64
	// Reserve is the part of MaxBytes kept for receipts, emergencies and urgent
	// ops; 0: 16 MiB.
	Reserve int64
	// MinFree is the free space on the disk below which a New gets queue.ErrFull; 0:
	// 64 MiB, negative: no limit.
	MinFree int64
	// LogBytes is the size of the log, and bounds how long a start takes; 0: 8 MiB.
	LogBytes int64
	// NoSync leaves out syncing to disk: for tests only.
	NoSync bool
	// OnCommit, if set, is called with the duration of each commit.
	OnCommit func(time.Duration)
	// Log gets reports of damage and repairs; nil: none.
	Log *slog.Logger
	// Advise adds to an error of the disk what to do about it; nil: nothing.
	Advise func(error) error
	// Now names the file that is set aside when damaged; nil for time.Now.
	Now func() time.Time

	worn   int64                // pages; 0 for wornPages. For tests
	noLog  bool                 // each commit goes into the data file
	commit func(*bolt.Tx) error // nil for Commit. For tests
	sync   func(*os.File) error // of the log; nil for syncData, or nothing. For tests
}

// askDisk is the least time between two looks at the free space of the disk.
const askDisk = 100 * time.Millisecond

const (
	is64Bit = strconv.IntSize == 64
	mib     = 1 << 20
)

func (o Options) withDefaults() Options {
	if o.MaxBytes == 0 {
		o.MaxBytes = 192 * mib
		if is64Bit {
			o.MaxBytes = 2048 * mib
		}
	}
	if o.Reserve == 0 {
		o.Reserve = min(16*mib, o.MaxBytes/2)
	}
	if o.MinFree == 0 {
		o.MinFree = 64 * mib
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Advise == nil {
		o.Advise = func(err error) error { return err }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.LogBytes == 0 {
		o.LogBytes = walSize
	}
	if o.worn == 0 {
		o.worn = wornPages
	}
	if o.commit == nil {
		o.commit = (*bolt.Tx).Commit
	}
	if o.sync == nil {
		o.sync = syncData
		if o.NoSync {
			o.sync = func(*os.File) error { return nil }
		}
	}
	if o.OnCommit == nil {
		o.OnCommit = func(time.Duration) {}
	}
	return o
}

// Store is a queue.Store in one file.
type Store struct {
	path string
	opts Options
	log  *slog.Logger
	lock *os.File // keeps other processes out of the folder

	line     *line.Line[*call]
	stopped  chan struct{} // closed when the committer has ended
	removed  chan struct{} // closed when gone is set
	watchers watchers

	// mu guards the open transaction, for reads, too. It is not held while the log is
	// written.
	mu         sync.Mutex
	file       *file // replaced by the committer only
	txn        *txn  // as file
	commits    int64
	lastCommit time.Duration
	bad        error           // why the file cannot be used now
	failing    error           // why the last write failed
	gone       error           // the files were removed
	suspects   map[uint64]bool // records that were found damaged
	closing    bool
	closeErr   error
	compacting bool

	overdueBy atomic.Pointer[error] // why the last checkpoint failed; see overdue
	opened    time.Time
	workSince atomic.Int64 // nanoseconds after opened: since when the committer has been at one piece of work; 0: it rests

	// Used by the committer only.
	wal         *wal
	firstChange time.Time   // that is not in the data file; zero for none
	lastWrite   time.Time   // of a batch
	full        atomic.Bool // a New had no room, and nothing was removed since; Room reads it
	short       bool        // the disk had no room at the last look
	asked       time.Time   // the last look
	unsettled   bool        // see unsettle
	retryAt     time.Time   // of the checkpoint
	forLists    int64       // bytes that lists of free pages may take, see keepFreelist
	repaired    time.Time   // when it last tried to repair the file
	complained  time.Time   // when it last logged that nothing can be written
	compactAt   time.Time   // the earliest next compaction
	renewAt     time.Time   // the earliest next opening of the file
	compactWait time.Duration

	background sync.WaitGroup
	life       context.Context // ends with Close
	end        context.CancelFunc
}

var _ queue.Store = (*Store)(nil)

// Open opens the queue in the file at path, or makes it. It fails when another
// process has it, when a newer posthouse wrote it, or when the disk does not
// work. A damaged file is set aside and what can be read of it is kept, see the
// package's words on damage.
func Open(path string, opts Options) (*Store, error) { return openAt(path, opts, false) }

// openAt opens a file; a fresh one takes the place of what is there.
func openAt(path string, opts Options, fresh bool) (*Store, error) {
	opts = opts.withDefaults()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("making the folder of the queue: %w", err)
	}
	for _, name := range []string{path, path + logExt} {
		// A folder is no damaged file, and the opening of a pipe waits for a writer.
		if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
			return nil, fmt.Errorf("%s is no file (%s): the queue belongs in that place, move away what is there", name, info.Mode())
		}
	}
	lock, err := lockFile(path + ".lock")
	if err != nil {
		return nil, err
	}
	_ = os.Remove(path + compactExt) // left by a crash: the queue may need its room; compact tells of an error
	if fresh {
		if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return nil, errors.Join(fmt.Errorf("making a fresh file: %w", err), lock.Close())
		}
	}
	s := &Store{path: path, opts: opts, log: opts.Log, lock: lock, stopped: make(chan struct{}), removed: make(chan struct{}), suspects: map[uint64]bool{}}
	s.compactWait, s.opened = compactRetry, time.Now()
	s.life, s.end = context.WithCancel(context.Background())
	s.line = line.New[*call](lazyWait, lazyMany)
	s.watchers.end = make(chan struct{})
	if s.wal, err = openWAL(path+logExt, opts); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	if s.file, s.txn, err = openOrSalvage(path, s.wal, opts); err != nil {
		return nil, errors.Join(err, s.wal.close(), lock.Close())
	}
	if !opts.NoSync { // a sync may have failed before the last process ended
		if err := settleFile(path, s.txn.tx); err != nil {
			return nil, errors.Join(err, s.txn.tx.Rollback(), s.file.db.Close(), s.wal.close(), lock.Close())
		}
	}
	if s.txn.changed {
		s.firstChange = time.Now()
	}
	if s.wal.unsure { // what is there may be confirmed again, as a duplicate
		// Nobody commits yet, so nothing can be compacted.
		s.compactAt = time.Now().Add(compactRetry)
		if err := s.checkpoint(); err != nil && !errors.Is(err, queue.ErrDamaged) { // damage is the committer's
			return nil, errors.Join(err, s.txn.tx.Rollback(), s.file.db.Close(), s.wal.close(), lock.Close())
		}
	}
	go s.commitLoop()
	return s, nil
}

// view reads. A panic or a memory fault in it is a damaged file and becomes an
// error.
func (s *Store) view(ctx context.Context, read func(*bolt.Tx) error) error {
	return s.reading(ctx, func(t *txn) error { return read(t.tx) })
}

func (s *Store) reading(ctx context.Context, read func(*txn) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	return s.touch(func(t *txn) error {
		if s.closing {
			return queue.ErrClosed
		}
		return read(t)
	})
}

// touch lends the open transaction.
//
// A panic or a memory fault in here is a damaged file. The transaction is then
// left as it is, without a rollback: bbolt would read the damaged pages again
// for that, in a goroutine of its own where no panic can be caught.
func (s *Store) touch(f func(*txn) error) (err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bad != nil {
		return s.bad
	}
	defer func() {
		if p := recover(); p != nil {
			s.file.stuck = true
			err = s.breakDown(s.file, p)
		}
	}()
	return f(s.txn)
}

// Stats implements queue.Store.
func (s *Store) Stats() queue.Stats {
	s.mu.Lock()
	st := queue.Stats{
		Records: s.txn.counts.Records, Damaged: s.txn.counts.Damaged,
		Commits: s.commits, LastCommit: s.lastCommit,
		Open:   map[string]map[message.Precedence]int64{},
		Oldest: map[string]clock.Age{},
	}
	for key, n := range s.txn.counts.Open {
		link, rest, _ := cutText([]byte(key))
		if st.Open[link] == nil {
			st.Open[link] = map[message.Precedence]int64{}
		}
		st.Open[link][message.Precedence(rest[0])] += n
	}
	s.mu.Unlock()
	_ = s.view(context.Background(), func(tx *bolt.Tx) error { // closed or damaged: the counters still hold
		st.Bytes = tx.Size()
		b := tx.Bucket(indexName[open])
		for _, prefix := range openLinks(b) {
			link, _, _ := cutText(prefix)
			_, val := b.Cursor().Seek(prefix)
			st.Oldest[link] = readOpen(val).accepted
		}
		return nil
	})
	return st
}

func (s *Store) isClosing() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.closing
}

// Room tells how much room there is; false when that cannot be told now.
func (s *Store) Room() (r queue.Room, ok bool) {
	r.Free, ok = diskFree(s.path)
	r.Least, r.Most = max(s.opts.MinFree, 0), s.opts.MaxBytes-s.opts.Reserve
	err := s.reading(context.Background(), func(t *txn) error {
		r.Used = t.used
		return nil
	})
	r.Full = s.full.Load() || s.overdue() != nil || ok && r.Free < r.Least
	if no, lacks := noRoom(s.overdue()); lacks {
		r.Why = no.Error()
	}
	return r, ok && err == nil
}

// overdue is why the last checkpoint failed; nil: it did not. Room asks, too.
func (s *Store) overdue() error {
	if why := s.overdueBy.Load(); why != nil {
		return *why
	}
	return nil
}

// usedIn tells how many bytes of the file are in use at the beginning of a
// transaction.
func usedIn(tx *bolt.Tx) int64 {
	st := tx.DB().Stats()
	return tx.Size() - int64(st.FreePageN+st.PendingPageN)*int64(tx.DB().Info().PageSize)
}

// room tells how far the file may go now. Once a New had no room, a smaller one
// has none either, until something has gone. A disk that fails is not full: who is told that
// tries again, and nothing is refused for good.
func (s *Store) room(short bool) room {
	r := room{normal: s.opts.MaxBytes - s.opts.Reserve, urgent: s.opts.MaxBytes}
	if short || s.full.Load() {
		r.normal = 0
	}
	switch {
	case s.gone != nil:
		r.normal, r.why = 0, s.gone
	case !s.short && !errors.Is(s.overdue(), queue.ErrFull):
		r.why = s.overdue()
	}
	return r
}

// isShort tells whether the disk has no room. When the last checkpoint failed,
// the log is kept for what may empty the store, or must not wait. What others write
// between two questions to the disk is little beside MinFree.
func (s *Store) isShort() bool {
	if time.Since(s.asked) > askDisk {
		free, ok := diskFree(s.path)
		s.asked, s.short = time.Now(), ok && free < s.opts.MinFree
	}
	return s.overdue() != nil || s.short
}

// Close writes what waits, ends all that the store runs and lets go of the file.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closing {
		s.mu.Unlock()
		<-s.stopped
		return nil
	}
	s.closing = true
	s.mu.Unlock()
	s.end()
	s.line.Close()
	<-s.stopped
	s.watchers.close()
	s.background.Wait()
	s.file.readers.Wait()
	return errors.Join(s.closeErr, s.closeFile(), s.wal.close(), s.lock.Close())
}

func (s *Store) closeFile() error {
	if s.bad != nil {
		return s.bad
	}
	return errors.Join(s.putBack(), s.file.db.Close())
}
