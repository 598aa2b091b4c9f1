package boltstore

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"

	"posthouse/queue"
)

// openOrSalvage opens the data file and replays the log. A damaged file is set aside, and
// what can be read of it and of the log goes into a fresh one.
func openOrSalvage(path string, w *wal, opts Options) (*file, *txn, error) {
	why := examine(path)
	if why == nil {
		var f *file
		var t *txn
		if f, t, why = openAndBegin(path, w, opts); why == nil {
			return f, t, nil
		}
	}
	if !errors.Is(why, queue.ErrDamaged) {
		return nil, nil, why
	}
	return replaceDamaged(path, w, opts, why)
}

func openAndBegin(path string, w *wal, opts Options) (*file, *txn, error) {
	f, err := openFile(path, opts)
	if err != nil {
		return nil, nil, err
	}
	t, err := begin(f, w, opts)
	if err != nil && !f.stuck {
		err = errors.Join(err, f.db.Close())
	}
	return f, t, err
}

// examine checks a file before bbolt opens it. A large file that has a list of its free
// pages is not walked: that would slow each start, and what bbolt finds damaged later can
// be recovered from.
func examine(path string) error {
	in, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("opening the queue: %w", err)
	}
	defer in.Close()
	p, err := openPages(in)
	switch {
	case p != nil && p.size == 0: // bbolt would silently begin anew
		return damaged("%s is empty", path)
	case errors.Is(err, errBothMetas), errors.Is(err, errTruncated):
		return damaged("%s: %v", path, err)
	case err != nil:
		return err
	case p.size <= walkedFile || p.meta.freelist == noFreelist:
		return p.check()
	}
	return nil
}

// walkedFile is the largest file, in bytes, that is always walked: half a second on a cold
// SD card.
const walkedFile = 16 << 20

// replaceDamaged salvages the file at path and opens the result.
func replaceDamaged(path string, w *wal, opts Options, why error) (*file, *txn, error) {
	opts.Log.Error("the queue's file is damaged: saving what can be read", "err", why)
	fresh := path + ".salvage"
	found, err := salvage(path, fresh, w, opts)
	if err != nil {
		return nil, nil, errors.Join(
			fmt.Errorf("saving what can be read of the damaged queue %s (nothing was changed): %w", path, err), os.Remove(fresh))
	}
	aside, err := setAsideFile(path, opts.Now())
	if err == nil {
		err = moveInto(fresh, path)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("putting the saved queue in place: %w", err)
	}
	opts.Log.Error("the queue was damaged; what could be read was saved, have a look at the file that was set aside",
		"file", aside, slog.Int64("records", found.Records), slog.Int64("open", found.open()), slog.Int64("damaged", found.Damaged))
	return openAndBegin(path, w, opts)
}

func (c counts) open() (n int64) {
	for _, k := range c.Open {
		n += k
	}
	return n
}

// setAsideFile gives a damaged file a second name. The first name is replaced later in one
// step, so that there is a queue at every moment.
func setAsideFile(path string, now time.Time) (string, error) {
	return freeName(path, now, func(name string) error {
		err := os.Link(path, name)
		if err != nil && !errors.Is(err, fs.ErrExist) {
			err = copyFile(path, name) // a file system without links
		}
		return err
	})
}

// freeName makes a file with a free name, which says when the one at path was found
// damaged.
func freeName(path string, now time.Time, makeFile func(name string) error) (string, error) {
	ext := filepath.Ext(path)
	base := strings.TrimSuffix(strings.TrimSuffix(path, ext), ".db")
	for n := 1; ; n++ {
		name := fmt.Sprintf("%s.damaged-%s", base, now.UTC().Format("20060102T150405Z"))
		if n > 1 {
			name += fmt.Sprint("-", n)
		}
		name += ext
		if err := makeFile(name); !errors.Is(err, fs.ErrExist) {
			return name, err
		}
	}
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	return writeFile(to, in)
}

// writeFile makes a file and syncs it.
func writeFile(to string, in io.Reader) error {
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// moveInto replaces a file by another atomically and durably.
func moveInto(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// syncDir syncs the names in a folder.
func syncDir(name string) error {
	dir, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// salvage writes what can be read of a damaged file and of its log into a fresh
// one.
func salvage(path, fresh string, w *wal, opts Options) (counts, error) {
	in, err := os.Open(path)
	if err != nil {
		return counts{}, err
	}
	defer in.Close()
	p, err := openPages(in)
	if p == nil {
		return counts{}, err
	}
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return counts{}, err
	}
	out, err := createFile(fresh, opts)
	if err != nil {
		return counts{}, err
	}
	s := &salvager{in: p, out: out, log: opts.Log}
	s.collect(w)
	last := s.redoAll(w)
	if s.err == nil {
		s.err = s.finish()
	}
	if s.err == nil {
		s.err = rebuild(out, &s.counts, last)
	}
	if s.err == nil {
		s.err = errors.Join(saveFreelist(out), out.Sync())
	}
	return s.counts, errors.Join(s.err, out.Close())
}

// createFile makes an empty data file that is synced by hand.
func createFile(path string, opts Options) (*bolt.DB, error) {
	opts.NoSync = true
	f, err := openFile(path, opts)
	if err != nil {
		return nil, err
	}
	return f.db, nil
}

// salvager carries values from a damaged file to a fresh one.
type salvager struct {
	in  *pages
	out *bolt.DB
	log *slog.Logger
	tx  *bolt.Tx
	n   int // values in tx
	err error

	counts      counts // of the damaged file, as far as they can be read
	mark        mark   // also
	sequence    uint64 // the last number given, as far as it can be read
	lost        int    // unreadable parts of the tree
	lostRecords bool   // some of them may have had records
	lostSetting bool
}

const salvageBatch = 5000

// collect walks the tree. If a part of it is lost it also reads the pages that cannot be
// reached; the newest copy of each value counts.
func (s *salvager) collect(w *wal) {
	s.in.walk(visit{key: s.take, lost: s.miss})
	if f, ok := s.firstOf(w); ok && f.mark.number > s.mark.number {
		s.lostRecords, s.lostSetting = true, true // the last checkpoint is missing in the file
	}
	if !s.lostRecords && !s.lostSetting || s.err != nil {
		return
	}
	s.in.free()
	s.in.unseen(func(e element) {
		switch {
		case s.lostRecords && len(e.key) == seqLen && s.isStray(e):
			s.put(recordBucket, e.key, e.val, isRecord)
		case s.lostSetting && e.key[0] == 's':
			s.put(settingBucket, e.key, e.val, isSetting)
		}
	})
}

// take keeps a value of the tree, damaged or not: rebuild checks it.
func (s *salvager) take(path [][]byte, e element) {
	switch in := joined(path); {
	case in == "" && e.bucket && string(e.key) == string(recordBucket):
		s.sequence = le.Uint64(e.val[8:])
	case e.bucket || s.err != nil:
	case in == string(recordBucket) && len(e.key) == seqLen:
		s.put(recordBucket, e.key, e.val, isRecord)
	case in == string(damagedBucket):
		s.put(damagedBucket, e.key, e.val, 0)
	case in == string(settingBucket):
		s.put(settingBucket, e.key, e.val, isSetting)
	case in == string(stateBucket) && string(e.key) == string(schemaKey):
		if err := checkSchema(s.in.path, e.val); errors.Is(err, ErrNewer) {
			s.err = err
		}
	case in == string(stateBucket) && string(e.key) == string(countsKey):
		if c, err := openCounts(e.val); err == nil {
			s.counts = c // else all is counted anew
		}
	case in == string(stateBucket) && string(e.key) == string(markKey) && len(e.val) == markLen:
		s.mark = readMark(e.val)
	}
}

func (s *salvager) miss(path [][]byte, err error) {
	in := joined(path)
	s.lostRecords = s.lostRecords || in == "" || in == string(recordBucket)
	s.lostSetting = s.lostSetting || in == "" || in == string(settingBucket)
	if s.lost++; s.lost <= 20 {
		s.log.Error("a part of the damaged queue cannot be read", "in", in, "err", err)
	}
}

func joined(path [][]byte) string {
	if len(path) == 0 {
		return ""
	}
	return string(path[0])
}

// isStray tells whether a value from an unreachable page may be a missing record, and not
// an old copy of one that was purged.
func (s *salvager) isStray(e element) bool {
	r, err := openRecord(binary.BigEndian.Uint64(e.key), e.val)
	return err == nil && int64(r.Accepted.Age) >= s.counts.Purged
}

// put writes a value unless there is a newer copy of it.
func (s *salvager) put(bucket, key, val []byte, k kind) {
	if s.err != nil {
		return
	}
	_, commit, err := k.unseal(key, val)
	if errors.Is(err, errNewerValue) {
		s.err = fmt.Errorf("%w: %s holds values that this program does not know: install the newer one again", ErrNewer, s.in.path)
		return
	}
	if s.begin(); s.err != nil {
		return
	}
	b := s.tx.Bucket(bucket)
	if old := b.Get(key); old != nil {
		if _, was, oldErr := k.unseal(key, old); err != nil || oldErr == nil && was >= commit {
			return
		}
	}
	if s.err = b.Put(key, val); s.err != nil {
		return
	}
	if s.n++; s.n >= salvageBatch {
		s.commit()
	}
}

// firstOf returns the first frame of the log if that has what may be missing in the file.
func (s *salvager) firstOf(w *wal) (frame, bool) {
	f, ok := w.first()
	if f.commit == stopped || s.mark != (mark{}) && (!f.mark.kin(s.mark) || f.mark.number < s.mark.number) {
		ok = false
	}
	return f, ok
}

// redoAll replays the log, and returns the mark of the last checkpoint.
func (s *salvager) redoAll(w *wal) mark {
	m := s.mark
	if f, ok := s.firstOf(w); ok {
		m = f.mark
	} else if _, other := w.first(); other || s.err != nil {
		return m
	}
	frames, _, err := w.read(m, 0)
	s.err = err
	for _, f := range frames {
		edits, err := cutEdits(f.edits)
		if err != nil {
			s.log.Error("a part of the queue's log cannot be read", "err", err)
		}
		for i := range edits {
			s.redo(&edits[i], f.commit)
		}
	}
	return m
}

func (s *salvager) redo(e *edit, commit uint64) {
	key := recordKey(e.seq)
	switch e.what {
	case putRecord:
		s.put(recordBucket, key, isRecord.seal(key, e.val, commit), isRecord)
	case purge:
		s.remove(recordBucket, key, commit, isRecord)
	case putSetting:
		key := settingKey(e.name)
		s.put(settingBucket, key, isSetting.seal(key, e.val, commit), isSetting)
	case delSetting:
		s.remove(settingBucket, settingKey(e.name), commit, isSetting)
	case skipTo:
		s.sequence = max(s.sequence, e.seq)
	case forgetIDs:
		s.counts.Forgotten = max(s.counts.Forgotten, int64(hourOf(e.age)))
	case purgedTo:
		s.counts.Purged = max(s.counts.Purged, int64(e.age))
	}
}

// remove removes a value unless it is newer.
func (s *salvager) remove(bucket, key []byte, commit uint64, k kind) {
	if s.err != nil {
		return
	}
	if s.begin(); s.err != nil {
		return
	}
	b := s.tx.Bucket(bucket)
	if old := b.Get(key); old != nil {
		if _, was, err := k.unseal(key, old); err != nil || was <= commit {
			s.err = b.Delete(key)
		}
	}
}

func (s *salvager) begin() {
	if s.tx == nil {
		s.tx, s.err = s.out.Begin(true)
	}
}

func (s *salvager) commit() {
	if s.tx != nil && s.err == nil {
		s.err = s.tx.Commit()
		s.tx, s.n = nil, 0
	}
}

// skipNumbers is how far the accept numbers jump if the last one is unknown: none may be
// used twice.
const skipNumbers = 100_000

// finish makes sure that the next accept number is a new one.
func (s *salvager) finish() error {
	if s.begin(); s.err != nil {
		return s.err
	}
	b := s.tx.Bucket(recordBucket)
	last := s.sequence
	if key, _ := b.Cursor().Last(); key != nil {
		last = max(last, binary.BigEndian.Uint64(key))
	}
	if s.sequence == 0 || s.lostRecords {
		last += skipNumbers
	}
	if err := b.SetSequence(last); err != nil {
		return err
	}
	s.commit()
	return s.err
}

// rebuild makes the indexes and counters of a data file from its records. Records that
// cannot be read are moved away. last is the mark of the last checkpoint.
func rebuild(db *bolt.DB, c *counts, last mark) error {
	*c = counts{Commits: c.Commits, Forgotten: c.Forgotten, Purged: c.Purged}
	for from, more := uint64(0), true; more; {
		err := db.Update(func(tx *bolt.Tx) (err error) {
			t := newTxn(tx, c)
			t.counts.Commits++
			if from, more, err = t.refile(from); err != nil {
				return err
			}
			*c = t.counts
			return t.save(last.next())
		})
		if err != nil {
			return fmt.Errorf("filing the records anew: %w", err)
		}
	}
	return nil
}

// refile files the next batch of records after from.
func (t *txn) refile(from uint64) (last uint64, more bool, err error) {
	t.counts.Damaged = int64(t.tx.Bucket(damagedBucket).Stats().KeyN)
	next := allSeqs(t.tx)
	for n := 0; n < salvageBatch; n++ {
		seq, ok := next(from)
		if !ok {
			return from, false, nil
		}
		from = seq
		key := recordKey(seq)
		val := t.records.Get(key)
		r, err := openRecord(seq, val)
		if err != nil {
			err = t.setAside(key, append([]byte(nil), val...))
		} else {
			t.counts.Records++
			t.counts.Commits = max(t.counts.Commits, commitOf(key, val)+1)
			t.see(r)
			err = t.file(nil, entries(r))
		}
		if err != nil {
			return from, false, err
		}
	}
	return from, true, nil
}

func commitOf(key, val []byte) uint64 {
	_, commit, _ := isRecord.unseal(key, val)
	return commit
}

// saveFreelist writes the list of free pages, so that the next open need not walk the
// file.
func saveFreelist(db *bolt.DB) error {
	db.NoFreelistSync = false
	if err := db.Update(func(*bolt.Tx) error { return nil }); err != nil {
		return fmt.Errorf("writing the list of free pages: %w", err)
	}
	return nil
}
