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

// The write-ahead log lies beside the data file. Each group commit is a frame of
// it, and one sync: the file has its full length from the beginning, so that a
// sync has nothing of the file system to write. Once a checkpoint has everything
// in the data file, the log begins anew; what lies behind is known by its mark.
//
//	page 0   walMagic with the version in it
//	frames   mark number u64, mark salt u64, commit u64, length u32, CRC-32C u32, edits
//
// Numbers are big-endian. The checksum covers the header before it and the
// edits. Only the last frame can be torn, since the next is written after its
// sync; the bytes of a page that a write does not change must survive it, as
// every log asks of a disk.
//
// Lazy ops are written soon and synced later, with the next commit that somebody waits
// for: a process that is killed then has done them, and they cost no sync. Such a frame
// is loose: the next one is written over it, and begins with its edits, so that the last
// frame is still the only one that can be torn.

// logExt follows the data file's name in that of its log.
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
	size int64  // of the file; 0 when there is no room for it
	full int64  // what the size should be
	buf  []byte // memory for the next frame
	// loose is the frame at end that is written and not synced; without edits there is
	// none.
	loose frame
	since time.Time // when loose began
	// spoiled is set when a write failed: what the disk has is unknown until the
	// next checkpoint makes it void. kept is where that begins, 0 for nowhere.
	spoiled bool
	kept    int64
	unsure  bool // read gave what the disk may not have
	told    bool // that read lacks something
	missing bool // openWAL found none, or a part of one
}

// openWAL opens the log, or makes it. Without room for it there is none: size is
// 0, and each commit goes into the data file.
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

// make gives the file its full length, and its head. Zeros are written, since
// blocks that are only reserved would be entered one by one, a sync each.
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
		zeros := make([]byte, 4096) // in large pieces, the kernel counts a whole piece as written for each frame
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

// fits tells whether a frame with so many bytes of edits has room.
func (w *wal) fits(n int) bool { return !w.spoiled && w.end+frameHead+int64(n) <= w.size }

const (
	mostKept  = mib / 2  // bytes of memory that are kept from one frame to the next
	mostLoose = 32 << 10 // bytes of a loose frame: it is written again with each lazy op
)

// room lends memory for a frame with about so many bytes of edits: its head's, and
// the edits that are loose; the others go behind that.
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

// append writes a frame and syncs it, unless it is to be loose; b is what room gave,
// with the frame's edits.
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

// tighten syncs the frame at the end, which has so many bytes.
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

// looseFor tells for how long a frame has not been synced; false when all are.
func (w *wal) looseFor() (time.Duration, bool) {
	return time.Since(w.since), w.loose.edits != nil && !w.spoiled
}

// restart begins anew after a checkpoint.
func (w *wal) restart() {
	w.end, w.spoiled, w.kept, w.loose, w.unsure = walHead, false, 0, frame{}, false
}

// keep has read give what was synced, and no more, after a checkpoint that failed.
func (w *wal) keep() { w.kept = w.end }

// loosen writes the loose frame that was before a checkpoint failed: a commit that
// failed may have been written over it.
func (w *wal) loosen(f frame) {
	w.loose = f
	b := w.room(0)
	f.putHead(b)
	if _, err := w.file.WriteAt(b, w.end); err != nil {
		_ = w.spoil(err) // the next checkpoint is due at once
	}
}

// again has the disk take the last frame that was read: it may have been loose, and
// after a sync that failed the kernel takes what it holds for written.
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

// untied is how many bytes the loose frame has.
func (w *wal) untied() int64 {
	if w.loose.edits == nil {
		return 0
	}
	return frameHead + int64(len(w.loose.edits))
}

// used is how many bytes of frames wait for a checkpoint.
func (w *wal) used() int64 { return w.end - walHead + w.untied() }

// stopped is the commit number of a frame that says: all is in the data file.
const stopped = 1<<64 - 1

// stop tells the next start that there is nothing to read, whatever data file it
// finds then: an old backup, say. If that gets lost, the mark tells as well.
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
