package envelope

import (
	"encoding/binary"
	"errors"
)

// WindowSize is how far below the highest number a Window still tells what it
// has seen.
const WindowSize = 4096

// Window protects against replay, one for each key: it takes a number once.
// Numbers below the window cannot be told from replays and are not taken; their
// sender signs anew. The zero Window has seen nothing.
//
// It is a plain value: copy it, take the numbers of what is to be accepted,
// commit it together with that, and keep the copy once both are on disk. It is
// for what passes through inboxes and groups. States (presence, heard) are not
// for it, since retained ones come late: of those the highest number per topic
// counts.
type Window struct {
	highest uint64
	seen    [WindowSize / 64]uint64 // bit n % WindowSize, for highest-WindowSize < n <= highest
}

// Take marks a number as seen; ErrReplay when it was, or is too old to tell.
func (w *Window) Take(n uint64) error {
	switch {
	case n > w.highest:
		w.advance(n)
	case w.Seen(n):
		return ErrReplay
	}
	w.seen[n%WindowSize/64] |= 1 << (n % 64)
	return nil
}

// Seen tells whether Take would refuse a number.
func (w *Window) Seen(n uint64) bool {
	switch {
	case n == 0:
		return true // no event has it
	case n > w.highest:
		return false
	case w.highest-n >= WindowSize:
		return true
	}
	return w.seen[n%WindowSize/64]&(1<<(n%64)) != 0
}

// Highest is the highest number taken; 0 when there was none.
func (w *Window) Highest() uint64 { return w.highest }

// advance moves the window up to n, and forgets what falls out.
func (w *Window) advance(n uint64) {
	if n-w.highest >= WindowSize {
		w.seen = [WindowSize / 64]uint64{}
	} else {
		for i := w.highest + 1; i <= n; i++ {
			w.seen[i%WindowSize/64] &^= 1 << (i % 64)
		}
	}
	w.highest = n
}

// windowVersion is the first byte of a stored Window. Then come the highest
// number, big-endian, and a bit for each number below it, the nearest first, up
// to the last one that is set: numbers follow the clock and are far apart, so
// that most windows take ten bytes.
const windowVersion = 1

const windowHeader = 9

// MarshalBinary writes the window, 521 bytes at most.
func (w Window) MarshalBinary() ([]byte, error) {
	b := binary.BigEndian.AppendUint64([]byte{windowVersion}, w.highest)
	for back := uint64(1); back < WindowSize && back < w.highest; back++ {
		if !w.Seen(w.highest - back) {
			continue
		}
		at := windowHeader + int(back/8)
		for len(b) <= at {
			b = append(b, 0)
		}
		b[at] |= 1 << (back % 8)
	}
	return b, nil
}

// UnmarshalBinary reads what MarshalBinary wrote.
func (w *Window) UnmarshalBinary(b []byte) error {
	if len(b) < windowHeader || len(b) > windowHeader+WindowSize/8 || b[0] != windowVersion {
		return errors.New("not a stored window of numbers")
	}
	*w = Window{}
	highest := binary.BigEndian.Uint64(b[1:])
	if highest == 0 {
		return nil
	}
	w.advance(highest)
	w.seen[highest%WindowSize/64] |= 1 << (highest % 64)
	for back := uint64(1); back < WindowSize && back < highest; back++ {
		at := windowHeader + int(back/8)
		if at < len(b) && b[at]&(1<<(back%8)) != 0 {
			n := highest - back
			w.seen[n%WindowSize/64] |= 1 << (n % 64)
		}
	}
	return nil
}
