package boltstore

import (
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"posthouse/queue"
)

const (
	lockWait  = 2 * time.Second
	allocStep = 1 * mib  // by which the file grows
	overshoot = 24 * mib // beyond MaxBytes, for changes, which are never refused
)

// openFile opens the data file and makes its buckets. Nothing is written to a
// file of a newer posthouse.
func openFile(path string, opts Options) (*file, error) { return openWith(path, opts, os.OpenFile) }

// openWith is openFile with another way to open a file.
func openWith(path string, opts Options, open func(string, int, os.FileMode) (*os.File, error)) (f *file, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			f, err = nil, damaged("%v", p)
		}
	}()
	f = &file{}
	db, err := bolt.Open(path, 0o600, &bolt.Options{
		OpenFile: func(name string, flag int, mode os.FileMode) (raw *os.File, err error) {
			f.raw, err = open(name, flag, mode)
			return f.raw, err
		},
		Timeout:         lockWait,
		FreelistType:    bolt.FreelistMapType,
		NoFreelistSync:  true, // opening must write nothing; each commit decides itself
		InitialMmapSize: initialMap(),
		MaxSize:         int(opts.MaxBytes + overshoot),
		NoSync:          opts.NoSync,
	})
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return nil, fmt.Errorf("another program has the queue %s open: stop it first", path)
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum), errors.Is(err, berrors.ErrVersionMismatch):
		return nil, damaged("%s: %v", path, err)
	case err != nil:
		return nil, fmt.Errorf("opening the queue %s: %w", path, err)
	}
	db.AllocSize = allocStep
	if err := prepare(db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	f.db = db
	return f, nil
}

func initialMap() int {
	if is64Bit {
		return 64 * mib // growing the map makes the writer wait for readers: rarely
	}
	return 0
}

// prepare checks the version of a file, or makes the buckets of a new one.
func prepare(db *bolt.DB) error {
	empty := false
	err := db.View(func(tx *bolt.Tx) error {
		state := tx.Bucket(stateBucket)
		if state == nil {
			name, _ := tx.Cursor().First()
			if empty = name == nil; !empty {
				return fmt.Errorf("%w: %s has no bucket %q", queue.ErrDamaged, db.Path(), stateBucket)
			}
			return nil
		}
		return checkSchema(db.Path(), state.Get(schemaKey))
	})
	if err != nil || !empty {
		return err
	}
	return db.Update(func(tx *bolt.Tx) error {
		for _, name := range append(indexName[:], recordBucket, damagedBucket, settingBucket, stateBucket) {
			if _, err := tx.CreateBucket(name); err != nil {
				return fmt.Errorf("making the queue %s: %w", db.Path(), err)
			}
		}
		t := newTxn(tx, new(counts))
		return t.save(mark{}.next())
	})
}

// ErrNewer says that a newer posthouse wrote the file.
var ErrNewer = errors.New("the queue was written by a newer posthouse")

func checkSchema(path string, version []byte) error {
	switch {
	case len(version) != 1:
		return fmt.Errorf("%w: %s does not say which version it has", queue.ErrDamaged, path)
	case version[0] > schema:
		return fmt.Errorf("%w: %s has version %d, this program knows %d: install the newer one again (nothing was changed)",
			ErrNewer, path, version[0], schema)
	}
	return nil
}
