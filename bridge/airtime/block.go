package airtime

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
)

// blockPart of the budget is in one block, or one frame if that is more: what a
// crash costs at most.
const blockPart = 60

// block is airtime that is on disk as used before it is used. After a crash all
// of it counts.
type block struct {
	_       struct{}      `cbor:",toarray"`
	Until   clock.Age     // frames may start before this
	Own     time.Duration // that is left
	Channel time.Duration // of the whole, when it was committed
}

// saved is what is stored.
type saved struct {
	_      struct{} `cbor:",toarray"`
	Ledger ledger
	Block  block
}

// needsBlock gives the next block and the bytes to commit for it, when the open
// one does not cover a frame.
func (b *Budget) needsBlock(now clock.Age, own time.Duration) (next block, bytes []byte, needed bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	if now < b.block.Until && b.block.Until <= now.Add(slot) && own <= b.block.Own {
		return block{}, nil, false
	}
	next = block{Until: now.Add(slot), Own: max(own, b.limits.budget()/blockPart/time.Duration(b.limits.Repeats))}
	next.Channel = b.limits.channel(next.Own)
	return next, encode(saved{Ledger: b.ledger, Block: next}), true
}

// Save gives what to store at a proper stop, when nothing more will be sent:
// then nothing is lost.
func (b *Budget) Save() []byte {
	b.spending.Lock()
	defer b.spending.Unlock()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.block = block{}
	return encode(saved{Ledger: b.ledger})
}

// Load takes over what Spend or Save gave to be stored, before anything is
// spent; nil is a link that has never sent. On an error nothing is known of the
// last hour: Exhaust is then the safe answer.
func (b *Budget) Load(bytes []byte) error {
	if bytes == nil {
		return nil
	}
	s, err := decode(bytes)
	if err != nil {
		return fmt.Errorf("reading the airtime of the last hour: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger = s.Ledger
	if s.Block.Own > 0 {
		b.ledger.add(entry{Until: counted(s.Block.Until, s.Block.Channel), Channel: s.Block.Channel, Own: s.Block.Own, Class: anyone})
	}
	return nil
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// encode puts a checksum in front: a flipped bit must not pass for airtime.
func encode(s saved) []byte {
	body, err := cbor.Marshal(s)
	if err != nil {
		panic("airtime: plain numbers and texts cannot be encoded: " + err.Error())
	}
	return withChecksum(body)
}

func withChecksum(body []byte) []byte {
	return append(binary.BigEndian.AppendUint32(nil, crc32.Checksum(body, castagnoli)), body...)
}

func decode(b []byte) (s saved, err error) {
	if len(b) < 4 || crc32.Checksum(b[4:], castagnoli) != binary.BigEndian.Uint32(b) {
		return saved{}, errors.New("the checksum does not fit")
	}
	if err := cbor.Unmarshal(b[4:], &s); err != nil {
		return saved{}, err
	}
	inOrder := slices.IsSortedFunc(s.Ledger, func(a, b entry) int { return int(max(-1, min(1, a.Until-b.Until))) })
	if !inOrder || slices.ContainsFunc(s.Ledger, func(e entry) bool { return e.Channel < 0 || e.Own < 0 }) {
		return saved{}, errors.New("the entries are not those of a ledger")
	}
	return s, nil
}
