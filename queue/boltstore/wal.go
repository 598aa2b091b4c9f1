package boltstore

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand/v2"
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
	walMagic  = "posthouse wal 1\n"
	walHead   = 4096    // where the frames begin
	walSize   = 8 * mib // of the file: bounds how long a start takes
	frameHead = 8 + 8 + 8 + 4 + 4
	markLen   = 8 + 8
)

// mark names a checkpoint. The data file and the frames of what came after it
// bear the same. The upper half of the salt stays what it was when the data file
// was made; the lower is drawn for each checkpoint, and keeps frames of another
// course of events, or bytes that a stranger wrote, from being taken for ours.
type mark struct{ number, salt uint64 }

func (m mark) next() mark {
	of := m.salt
	if m == (mark{}) {
		of = rand.Uint64()
	}
	return mark{m.number + 1, of>>32<<32 | uint64(rand.Uint32())}
}

// kin tells whether two marks are of one data file, at one time or another.
func (m mark) kin(o mark) bool { return m.salt>>32 == o.salt>>32 }

func (m mark) bytes() []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(nil, m.number), m.salt)
}

func readMark(b []byte) mark {
	return mark{binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])}
}

// frame is one group commit as the log has it.
type frame struct {
	mark   mark
	commit uint64
	edits  []byte
}

func (f *frame) append(b []byte) []byte {
	at := len(b)
	b = append(append(b, make([]byte, frameHead)...), f.edits...)
	f.putHead(b[at:])
	return b
}

// putHead writes what stands in front of the edits; b has them already, behind room
// for it.
func (f *frame) putHead(b []byte) {
	h := append(b[:0], f.mark.bytes()...)
	h = binary.BigEndian.AppendUint64(h, f.commit)
	h = binary.BigEndian.AppendUint32(h, uint32(len(f.edits)))
	sum := crc32.Update(crc32.Checksum(h, castagnoli), castagnoli, f.edits)
	binary.BigEndian.AppendUint32(h, sum)
}

// cutFrame reads the frame that b begins with; false when there is no whole one.
func cutFrame(b []byte) (f frame, rest []byte, ok bool) {
	if len(b) < frameHead {
		return f, nil, false
	}
	n := uint64(binary.BigEndian.Uint32(b[24:]))
	if n > uint64(len(b)-frameHead) {
		return f, nil, false
	}
	f = frame{readMark(b), binary.BigEndian.Uint64(b[markLen:]), b[frameHead : frameHead+n]}
	sum := crc32.Update(crc32.Checksum(b[:frameHead-4], castagnoli), castagnoli, f.edits)
	return f, b[frameHead+n:], sum == binary.BigEndian.Uint32(b[frameHead-4:])
}

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

// read gives the frames of a mark, up to an offset in the file (0: its end); the
// next one is written behind the last. damage tells that one before others cannot
// be read.
func (w *wal) read(m mark, upTo int64) (all []frame, damage bool, err error) {
	if w.file == nil || m == (mark{}) {
		return nil, false, nil
	}
	if upTo == 0 {
		upTo = max(w.size, w.full)
	}
	b, err := w.content(m, upTo)
	if err != nil {
		return nil, false, fmt.Errorf("reading the log of the queue: %w", err)
	}
	all, end, damage := framesOf(m, b)
	if len(all) > 0 {
		w.end = walHead + end
	}
	return all, damage, nil
}

// framesOf finds the frames of a mark, and where the last one ends.
func framesOf(m mark, b []byte) (all []frame, end int64, damage bool) {
	from := b
	for {
		f, rest, ok := cutFrame(from)
		if ok && f.mark == m && f.commit != stopped {
			all, from = append(all, f), rest
			end = int64(len(b) - len(rest))
			continue
		}
		at := -1
		if len(from) > 0 {
			at = bytes.Index(from[1:], m.bytes())
		}
		if at < 0 {
			return all, end, damage
		}
		from = from[1+at:]
		if f, _, ok := cutFrame(from); ok && f.mark == m {
			damage = true
		}
	}
}

// content gives what the log has up to the end of the last frame of a mark. Behind
// it most of the file is empty, or old: that is looked through in pieces, for the
// salt, and not kept.
func (w *wal) content(m mark, upTo int64) ([]byte, error) {
	const piece = 256 << 10
	b, end := make([]byte, piece), int64(walHead)
	for at := int64(walHead); at < upTo; at += piece - frameHead { // a head may lie across two
		n, err := w.file.ReadAt(b[:min(piece, upTo-at)], at)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if far := endOfFrames(m, b[:n]); far > 0 {
			end = max(end, at+far)
		}
	}
	all := make([]byte, min(end, upTo)-walHead)
	n, err := w.file.ReadAt(all, walHead)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return all[:n], err
}

// endOfFrames is where the last frame of a mark ends whose head is in b, by what the
// heads say; 0 without one.
func endOfFrames(m mark, b []byte) (end int64) {
	const saltAt, lengthAt = 8, 8 + 8 + 8
	salt := m.bytes()[saltAt:]
	for from := saltAt; ; from += len(salt) {
		i := bytes.Index(b[min(from, len(b)):], salt)
		if from += i; i < 0 || from-saltAt+frameHead > len(b) {
			return end
		}
		length := binary.BigEndian.Uint32(b[from-saltAt+lengthAt:])
		end = max(end, int64(from-saltAt+frameHead)+int64(length))
	}
}

// first reads the first frame; false when it cannot be read. No frame has a newer
// mark.
func (w *wal) first() (f frame, ok bool) {
	b := make([]byte, frameHead)
	if n, _ := w.file.ReadAt(b, walHead); n < len(b) {
		return f, false
	}
	b = append(b, make([]byte, min(int64(binary.BigEndian.Uint32(b[24:])), max(w.size, w.full)))...)
	n, _ := w.file.ReadAt(b, walHead)
	f, _, ok = cutFrame(b[:n])
	return f, ok
}

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

// setAside keeps a copy of a log that does not fit the data file.
func (w *wal) setAside(opts Options) {
	name, err := freeName(w.file.Name(), opts.Now(), func(name string) error { return copyFile(w.file.Name(), name) })
	if err != nil {
		opts.Log.Error("the log of the queue could not be copied", "err", err)
		return
	}
	opts.Log.Error("a copy of the queue's log was set aside", "file", name)
}
