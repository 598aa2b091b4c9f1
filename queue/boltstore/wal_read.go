package boltstore

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// read returns the frames of a mark, up to an offset in the file (0: its end); the next
// frame is written after the last one. damage: one in the middle cannot be read.
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

// content returns the log up to the end of the last frame of a mark. The rest of the file
// is mostly empty or old: it is searched for the salt in pieces, and not kept.
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

// endOfFrames is where, by its head, the last frame of a mark in b ends; 0: there is none.
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

// first reads the first frame, whose mark is the newest; false: it cannot be read.
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

// setAside keeps a copy of a log that does not fit the data file.
func (w *wal) setAside(opts Options) {
	name, err := freeName(w.file.Name(), opts.Now(), func(name string) error { return copyFile(w.file.Name(), name) })
	if err != nil {
		opts.Log.Error("the log of the queue could not be copied", "err", err)
		return
	}
	opts.Log.Error("a copy of the queue's log was set aside", "file", name)
}
