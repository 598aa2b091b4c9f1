package bridge

import (
	"crypto/sha256"
	"encoding/binary"
	"strconv"

	"posthouse/bridge/message"
	"posthouse/queue"
)

// identityVersion is the first thing hashed: change it when the normaliser or
// the fields change, so that gateways of two versions do not half agree.
const identityVersion = "posthouse-identity-1"

// identify computes what "the same message" means: two gateways that hear one
// station come to the same without talking. Text is normalised already, marks
// and fit come later.
func identify(m *message.Message) queue.Identity {
	h := sha256.New()
	for _, s := range [...]string{identityVersion, m.From, m.Replyable(), m.OriginID, m.Text} {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(s)))
		h.Write(n[:])
		h.Write([]byte(s))
	}
	var id queue.Identity
	copy(id[:], h.Sum(nil))
	return id
}

// frames is how many frame ids there are: five digits of base 36, the longest
// id that an APRS message can carry (APRS Protocol Reference 1.0.1 chapter 14).
const frames = 36 * 36 * 36 * 36 * 36

// frameID gives the id of one part of a message, the same at every gateway: a
// hash of the identity and the part, or a free neighbour of it.
func frameID(id queue.Identity, part int, taken func(string) bool) string {
	sum := sha256.Sum256(append(id[:], byte(part), byte(part>>8)))
	n := binary.BigEndian.Uint64(sum[:]) % frames
	for range 1000 {
		s := strconv.FormatUint(n, 36)
		s = "00000"[len(s):] + s
		if !taken(s) {
			return s
		}
		n = (n + 1) % frames
	}
	return "" // a thousand neighbours in use: send without asking for an acknowledgement
}
