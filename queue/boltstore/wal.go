package boltstore

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
)

// The write-ahead log lies beside the data file. Each group commit is one frame and one
// sync: the file has its full length from the beginning, so that a sync need not write
// metadata of the file system. After a checkpoint the log begins anew; older frames
// behind it are recognised by their mark.
//
//	page 0   walMagic with the version in it
//	frames   mark number u64, mark salt u64, commit u64, length u32, CRC-32C u32, edits
//
// Numbers are big-endian. The checksum covers the header before it and the edits. Only
// the last frame can be torn, since the next is written after its sync. Like every log
// it relies on the disk to keep those bytes of a page that a write does not change.
//
// Lazy ops are written soon and synced later, with the next commit that somebody waits
// for: a kill does not lose them, and they cost no sync. Such a frame is loose: the next
// frame is written over it and begins with its edits, so that still only the last frame
// can be torn.

// logExt is appended to the data file's name for that of its log.
const logExt = ".wal"

const (
	walMagic = "posthouse wal 1\n"
	walHead  = 4096    // where the frames begin
	walSize  = 8 * mib // of the file: bounds how long a start takes
)

// wal is the open log.
type wal struct {
	file *os.File // nil when there is to be none
	sync func(*os.File) error
	end  int64  // where the next frame goes
	size int64  // of the file; 0: there is no room for a log
	full int64  // the size that it should have
	buf  []byte // memory for the next frame
	// loose is the frame at end that is written and not synced; no edits: none.
	loose frame
	since time.Time // when loose began
	// spoiled: a write failed, so what the disk has is unknown until the next checkpoint
	// discards it. kept is where that begins; 0: nowhere.
	spoiled bool
	kept    int64
	unsure  bool // read returned what may not be on disk
	told    bool // the log says already that frames are missing
	missing bool // openWAL found no log, or a part of one
}

// openWAL opens the log, or makes it. If there is no room for it size is 0, and each
// commit goes into the data file.
func openWAL(path string, opts Options) (*wal, error) {
	if opts.noLog {
		return &wal{end: walHead}, nil
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("opening the log of the queue: %w", err)
	}
	w := &wal{file: f, sync: opts.sync, end: walHead, full: opts.LogBytes}
	head := make([]byte, len(walMagic))
	_, err = f.ReadAt(head, 0)
	switch {
	case err != nil && !errors.Is(err, io.EOF):
		err = fmt.Errorf("reading the log of the queue: %w", err)
	case bytes.HasPrefix(head, []byte(walMagic[:len(walMagic)-2])) && string(head) != walMagic:
		err = fmt.Errorf("%w: its log %s is of another version: install the newer one again (nothing was changed)", ErrNewer, path)
	default:
		err = w.make(opts, string(head) == walMagic)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return w, nil
}

// make gives the file its full length and its head. It writes zeros: blocks that are
// only reserved would cost the file system metadata at each sync.
func (w *wal) make(opts Options, headed bool) error {
	info, err := w.file.Stat()
	if err != nil {
		return fmt.Errorf("looking at the log of the queue: %w", err)
	}
	was := info.Size()
	w.size, w.missing = was, was == 0 || headed && was < w.full
	if headed && w.size >= w.full {
		return nil
	}
	if opts.NoSync {
		err = w.file.Truncate(max(w.size, w.full))
	} else {
		zeros := make([]byte, 4096) // after large writes the kernel counts a whole large piece as written for each frame
		for at := w.size; at < w.full && err == nil; at += int64(len(zeros)) {
			_, err = w.file.WriteAt(zeros[:min(int64(len(zeros)), w.full-at)], at)
		}
	}
	if err == nil {
		_, err = w.file.WriteAt([]byte(walMagic), 0)
	}
	if err == nil && !opts.NoSync {
		err = errors.Join(w.file.Sync(), syncDir(filepath.Dir(w.file.Name())))
	}
	if err != nil {
		opts.Log.Warn("the queue has no room for its log: each change goes into the data file, which takes more syncs and bytes", "err", err)
		w.size = 0
		return w.file.Truncate(was) // the data file needs the room
	}
	w.size = max(w.size, w.full)
	return nil
}

// fits tells whether there is room for a frame with so many bytes of edits.
func (w *wal) fits(n int) bool { return !w.spoiled && w.end+frameHead+int64(n) <= w.size }

const (
	mostKept  = mib / 2  // bytes of memory that are kept from one frame to the next
	mostLoose = 32 << 10 // bytes of a loose frame, which is written again with each lazy op
)

// room returns memory for a frame with about so many bytes of edits. It holds the head
// and the loose edits already; the others are appended.
func (w *wal) room(edits int) []byte {
	b, size := w.buf, frameHead+len(w.loose.edits)+edits
	if cap(b) < size {
		b = make([]byte, size)
	}
	w.buf = nil
	if cap(b) <= mostKept {
		w.buf = b
	}
	return append(b[:frameHead], w.loose.edits...)
}

// append writes a frame, and syncs it unless it is to be loose; b is from room, with the
// frame's edits.
func (w *wal) append(f frame, b []byte, loose bool) error {
	f.putHead(b)
	if _, err := w.file.WriteAt(b, w.end); err != nil {
		return w.spoil(err)
	}
	if loose && len(f.edits) <= mostLoose {
		if w.loose.edits == nil {
			w.since = time.Now()
		}
		w.loose = f
		return nil
	}
	return w.tighten(int64(len(b)))
}

// tighten syncs the frame at the end, which has so many bytes: it is no longer loose.
func (w *wal) tighten(size int64) error {
	if err := w.sync(w.file); err != nil {
		return w.spoil(err)
	}
	w.end += size
	w.loose = frame{}
	return nil
}

func (w *wal) spoil(err error) error {
	w.spoiled = true
	return fmt.Errorf("writing the log of the queue: %w", err)
}

// looseFor is how long a frame has not been synced; false: all are.
func (w *wal) looseFor() (time.Duration, bool) {
	return time.Since(w.since), w.loose.edits != nil && !w.spoiled
}

// restart begins anew after a checkpoint.
func (w *wal) restart() {
	w.end, w.spoiled, w.kept, w.loose, w.unsure = walHead, false, 0, frame{}, false
}

// keep limits read to what was synced, after a checkpoint that failed.
func (w *wal) keep() { w.kept = w.end }

// loosen writes the loose frame again after a checkpoint failed: a failed commit may have
// been written over it.
func (w *wal) loosen(f frame) {
	w.loose = f
	b := w.room(0)
	f.putHead(b)
	if _, err := w.file.WriteAt(b, w.end); err != nil {
		_ = w.spoil(err) // the next checkpoint is due at once
	}
}

// again writes and syncs the last frame that was read: it may have been loose, and after
// a failed sync the kernel takes its pages for written.
func (w *wal) again(f frame) error {
	b := f.append(nil)
	if _, err := w.file.WriteAt(b, w.end-int64(len(b))); err != nil {
		return w.spoil(err)
	}
	if err := w.sync(w.file); err != nil {
		return w.spoil(err)
	}
	return nil
}

// untied is the size of the loose frame in bytes.
func (w *wal) untied() int64 {
	if w.loose.edits == nil {
		return 0
	}
	return frameHead + int64(len(w.loose.edits))
}

// used is how many bytes of frames wait for a checkpoint.
func (w *wal) used() int64 { return w.end - walHead + w.untied() }

// stopped is the commit number of a frame that means: everything is in the data file.
const stopped = 1<<64 - 1

// stop tells the next start that there is nothing to replay, whatever data file it finds,
// such as an old backup. If that frame is lost the mark says the same.
func (w *wal) stop(m mark) error {
	w.restart()
	if w.file == nil {
		return nil
	}
	b := (&frame{mark: m, commit: stopped}).append(nil)
	_, err := w.file.WriteAt(b, w.end)
	return err
}

func (w *wal) close() error {
	if w.file == nil {
		return nil
	}
	return w.file.Close()
}
