package boltstore

import (
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
)

const (
	frameHead = 8 + 8 + 8 + 4 + 4 // bytes before a frame's edits
	markLen   = 8 + 8
)

// mark identifies a checkpoint: the data file and the frames after the checkpoint have
// the same. The upper half of the salt is fixed for a data file; the lower is random for
// each checkpoint, so that frames from another history, or bytes that a stranger wrote,
// are never taken for ours.
type mark struct{ number, salt uint64 }

func (m mark) next() mark {
	of := m.salt
	if m == (mark{}) {
		of = rand.Uint64()
	}
	return mark{m.number + 1, of>>32<<32 | uint64(rand.Uint32())}
}

// kin tells whether two marks are of the same data file, at whatever time.
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

// putHead writes the head into b, which has room for it and then the edits.
func (f *frame) putHead(b []byte) {
	h := append(b[:0], f.mark.bytes()...)
	h = binary.BigEndian.AppendUint64(h, f.commit)
	h = binary.BigEndian.AppendUint32(h, uint32(len(f.edits)))
	sum := crc32.Update(crc32.Checksum(h, castagnoli), castagnoli, f.edits)
	binary.BigEndian.AppendUint32(h, sum)
}

// cutFrame reads the frame at the beginning of b; false: there is no complete one.
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
