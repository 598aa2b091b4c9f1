package boltstore

import (
	"crypto/sha256"
	"encoding/binary"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// Keys are made of parts that sort like their values and are unambiguous, whatever bytes
// a stranger's address has: numbers are big-endian, texts have their length in front.

// longText marks the hash of a text that is too long for a key.
const longText = 0xFF

func putText(b []byte, s string) []byte {
	if len(s) < longText {
		return append(append(b, byte(len(s))), s...)
	}
	sum := sha256.Sum256([]byte(s))
	return append(append(b, longText), sum[:]...)
}

// cutText takes a text off the front of a key. ok is false if only its hash is there;
// rest is right in both cases.
func cutText(b []byte) (s string, rest []byte, ok bool) {
	n, b := int(b[0]), b[1:]
	if n == longText {
		return "", b[sha256.Size:], false
	}
	return string(b[:n]), b[n:], true
}

func putSeq(b []byte, seq uint64) []byte { return binary.BigEndian.AppendUint64(b, seq) }

// putAge flips the sign bit, so that negative ages sort first.
func putAge(b []byte, a clock.Age) []byte {
	return binary.BigEndian.AppendUint64(b, uint64(a)^1<<63)
}

func getAge(b []byte) clock.Age { return clock.Age(binary.BigEndian.Uint64(b) ^ 1<<63) }

// putNth adds the index of a delivery or a part within its record.
func putNth(b []byte, n int) []byte { return binary.BigEndian.AppendUint16(b, uint16(n)) }

const (
	ageLen  = 8
	seqLen  = 8
	nthLen  = 2
	itemLen = seqLen + nthLen // seq and delivery, the end of most keys
)

// cutItem reads the seq and delivery that end a key.
func cutItem(key []byte) (seq uint64, delivery int) {
	end := key[len(key)-itemLen:]
	return binary.BigEndian.Uint64(end), int(binary.BigEndian.Uint16(end[seqLen:]))
}

func recordKey(seq uint64) []byte { return putSeq(nil, seq) }

func lanePrefix(l queue.Lane) []byte { return putLane(nil, l) }

func putLane(b []byte, l queue.Lane) []byte {
	b = append(putText(b, l.Link), byte(l.Precedence))
	return putText(putText(b, l.From), l.To)
}

func readyPrefix(link string, p message.Precedence) []byte {
	return append(putText(nil, link), byte(p))
}

func framePrefix(link, to, id string) []byte { return putFrame(nil, link, to, id) }

func putFrame(b []byte, link, to, id string) []byte {
	return putText(putText(putText(b, link), to), id)
}

// hourOf returns the hour of age whose bucket has an identity.
func hourOf(a clock.Age) clock.Age {
	const hour = 3600 * 1000
	h := a / hour
	if a%hour < 0 {
		h--
	}
	return h
}

// after returns the smallest key that is greater than every key with the prefix; nil:
// there is none.
func after(prefix []byte) []byte {
	b := append([]byte(nil), prefix...)
	for i := len(b) - 1; i >= 0; i-- {
		if b[i] < 0xFF {
			b[i]++
			return b[:i+1]
		}
	}
	return nil
}
