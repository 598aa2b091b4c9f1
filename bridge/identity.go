package bridge

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/fit"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// identityVersion is hashed first: change it with the normaliser or the fields,
// so that identities of two versions never match by half.
const identityVersion = "posthouse-identity-1"

// identify computes the identity of a message. Two gateways that hear one station
// compute the same without talking to each other. The text is normalised, and not
// yet marked or split.
func identify(m *message.Message) queue.Identity {
	to := m.Replyable()
	switch {
	case message.IsMail(m.From): // to a station and to its alias it is one mail
		to = m.To
	case isToGateway(m.Written): // the same words to two addressees are two messages
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

// identityOf computes the identity of a text as it came in. A text that begins with its
// address gets the identity of the text without it, as it is passed on, so that the gateway
// that heard it and one that it is handed to agree. An answer without an address keeps the
// gateway as addressee: by the time it is repeated the last message may be another.
func (b *Bridge) identityOf(home *line, m *message.Message) queue.Identity {
	if home.trunk == nil {
		if as := *m; b.address(home, &as, b.clock.Age()) == nil && (as.Text != m.Text || message.IsMail(m.From)) {
			return identify(&as)
		}
	}
	return identify(m)
}

// known looks up whether a text is known, and by which identity: an answer has one without
// its addressee where it was heard, and one with him where it was handed over.
func (b *Bridge) known(ctx context.Context, ln *line, m *message.Message, identity queue.Identity, since clock.Age) (queue.Identity, uint64, bool, error) {
	seq, known, err := b.store.Known(ctx, identity, since)
	other := *m
	switch {
	case known, err != nil, m.OriginID == "":
		return identity, seq, known, err
	case ln.trunk != nil && isToGateway(m.Written) && b.sharesMesh(m.Mesh):
		other.To, other.Written = m.Written, ""
	case ln.trunk != nil || !b.isAnswer(ln, m) || b.address(ln, &other, b.clock.Age()) != nil:
		return identity, seq, false, nil
	}
	if seq, known, err = b.store.Known(ctx, identify(&other), since); known {
		identity = identify(&other)
	}
	return identity, seq, known, err
}

// clocksApart is how far the clocks of two gateways may differ.
const clocksApart = time.Hour

// isAnother tells whether a text from a trunk only equals a known one but was filed long
// before or after it. Where they were heard these were two texts; if the trunk was down
// they arrive together.
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

// isFiledAlike tells whether a text without an id, which is known for two minutes only,
// comes from a trunk with the very filing time of one that was here longer ago. Where it was
// heard it was one text: another gateway hands its copy back, since the answer to the
// hand-over was lost, say.
func (b *Bridge) isFiledAlike(ctx context.Context, ln *line, m *message.Message, identity queue.Identity) bool {
	if ln.trunk == nil || m.OriginID != "" || m.Filed.IsZero() {
		return false
	}
	seq, known, err := b.store.Known(ctx, identity, b.clock.Age().Add(-sameFor(&ln.Link)))
	if err != nil || !known {
		return false
	}
	r, err := b.store.Get(ctx, seq)
	return err == nil && r.Message.Filed.Equal(m.Filed)
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

// isOurFrame tells whether a text has the id and the words of a frame that this gateway
// sent to its addressee: another bridge, which does not keep `via`, has copied the frame to
// another mesh as if its writer had sent it there.
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

// hasWordsOf tells whether a text has the words of a part that was sent on a link; the
// other bridge may have added something or removed our marks. The id alone proves
// nothing: a station may use ids of five characters itself.
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
