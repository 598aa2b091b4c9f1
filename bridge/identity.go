package bridge

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/fit"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// identityVersion is the first thing hashed: change it when the normaliser or
// the fields change, so that gateways of two versions do not half agree.
const identityVersion = "posthouse-identity-1"

// identify computes what "the same message" means: two gateways that hear one
// station come to the same without talking. Text is normalised already, marks
// and fit come later.
func identify(m *message.Message) queue.Identity {
	to := m.Replyable()
	if isToGateway(m.Written) { // the same words to two addressees are two messages
		to += " " + m.To
	}
	h := sha256.New()
	for _, s := range [...]string{identityVersion, m.From, to, m.OriginID, m.Text} {
		var n [8]byte
		binary.BigEndian.PutUint64(n[:], uint64(len(s)))
		h.Write(n[:])
		h.Write([]byte(s))
	}
	var id queue.Identity
	copy(id[:], h.Sum(nil))
	return id
}

// isToGateway tells whether a text was written to a gateway, or to POST, for somebody else.
func isToGateway(written string) bool {
	_, err := callsign.Parse(written)
	return err == nil || written == route.Post
}

// identityOf computes the identity of a text as it came in. One that begins with its
// address has that of the text without it, since so it goes on: who heard it and who is
// handed it have the same. What answers the gateway's last message has no addressee of its
// own: as it is repeated another message may have been the last.
func (b *Bridge) identityOf(ln *line, m *message.Message) queue.Identity {
	if ln.trunk == nil {
		if as := *m; b.address(ln, &as) == nil && as.Text != m.Text {
			return identify(&as)
		}
	}
	return identify(m)
}

// clocksApart is how far the clocks of two gateways may differ.
const clocksApart = time.Hour

// isAnother tells whether a text that came by a trunk is another than the equal one that is
// known: it was filed long before or after. Where they were heard these were two, and what
// waited for the trunk comes together.
func (b *Bridge) isAnother(ctx context.Context, ln *line, seq uint64, m *message.Message) bool {
	if ln.trunk == nil || m.Filed.IsZero() {
		return false
	}
	r, err := b.store.Get(ctx, seq)
	if err != nil || r.Message.Filed.IsZero() {
		return false
	}
	return m.Filed.Sub(r.Message.Filed).Abs() > max(sameFor(&ln.Link), clocksApart)
}

// frames is how many frame ids there are: five digits of base 36, the longest
// id that an APRS message can carry (APRS Protocol Reference 1.0.1 chapter 14).
const (
	frames      = 36 * 36 * 36 * 36 * 36
	frameDigits = 5
)

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

// isOurFrame tells whether a text bears the id of a frame that this gateway sent to its
// addressee, and its words: somebody else's bridge, which knows nothing of gateways, has
// brought it to another mesh, as if its writer had said it there.
func (b *Bridge) isOurFrame(ctx context.Context, m *message.Message) bool {
	if len(m.OriginID) != frameDigits || message.IsMail(m.To) {
		return false
	}
	for _, ln := range b.lines {
		if !ln.props.Acks || ln.trunk != nil {
			continue
		}
		item, part, err := b.store.Frame(ctx, ln.Name, m.To, m.OriginID)
		if err != nil {
			continue
		}
		r, err := b.store.Get(ctx, item.Seq)
		if err == nil && r.Message.From == m.From && b.hasWordsOf(ln, r, item.Delivery, part, m.Text) {
			return true
		}
	}
	return false
}

// hasWordsOf tells whether a text has the words of a part that went out on a link; a
// bridge may have put something around them, or taken our marks off. Who numbers his
// texts with five characters may come upon such an id by himself.
func (b *Bridge) hasWordsOf(ln *line, r *queue.Record, delivery, part int, text string) bool {
	d := &r.Deliveries[delivery]
	_, whole := b.mark(ln, &r.Message)
	texts, err := fit.Fit(whole, ln.props.Medium, fit.Mark{Before: d.Before, After: d.After})
	if err != nil || part >= len(texts) {
		return false
	}
	sent := rules.Normalise(texts[part])
	return strings.Contains(text, sent) || strings.Contains(sent, text)
}
