package boltstore

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"sync"

	"github.com/fxamacker/cbor/v2"

	"posthouse/queue"
)

// A value is sealed as
//
//	version (1 byte) | CRC-32C (4 bytes) | number of the commit (uvarint) | payload
//
// The checksum also covers the kind of value and the key, so that a value under a wrong
// key is noticed, and salvage recognises a record or a setting wherever it finds one. The
// number of the commit tells the newest of several copies. The payload of a record is CBOR
// (RFC 8949); its Seq is only in the key.

// kind is what a sealed value is.
type kind byte

const (
	isRecord  kind = 'r'
	isSetting kind = 's'
	isCounts  kind = 'c'
)

const (
	valueVersion = 1
	sumLen       = 4
	sealLen      = 1 + sumLen + binary.MaxVarintLen64

	// maxPayload bounds one record or setting; a text is a few hundred bytes.
	maxPayload = 1 << 20
)

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	encMode    = must(cbor.EncOptions{Time: cbor.TimeRFC3339NanoUTC, TimeTag: cbor.EncTagNone}.UserBufferEncMode())
	// The store keeps texts byte for byte, valid UTF-8 or not.
	decMode = must(cbor.DecOptions{UTF8: cbor.UTF8DecodeInvalid}.DecMode())
)

// errNewerValue says that a newer posthouse wrote the value.
var errNewerValue = errors.New("written by a newer posthouse")

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func (k kind) seal(key, payload []byte, commit uint64) []byte {
	return k.sealIn(key, append(make([]byte, sealLen, sealLen+len(payload)), payload...), commit)
}

// sealIn seals a payload in place; room has sealLen free bytes before it.
func (k kind) sealIn(key, room []byte, commit uint64) []byte {
	var number [binary.MaxVarintLen64]byte
	n := binary.PutUvarint(number[:], commit)
	b := room[sealLen-n-sumLen-1:]
	b[0] = valueVersion
	copy(b[1+sumLen:], number[:n])
	binary.BigEndian.PutUint32(b[1:], k.checksum(key, b))
	return b
}

// unseal checks a value and returns its payload, a part of value.
func (k kind) unseal(key, value []byte) (payload []byte, commit uint64, err error) {
	if len(value) < 1+sumLen+1 {
		return nil, 0, queue.ErrDamaged
	}
	if k.checksum(key, value) != binary.BigEndian.Uint32(value[1:]) {
		return nil, 0, queue.ErrDamaged
	}
	if value[0] != valueVersion {
		return nil, 0, fmt.Errorf("%w (value version %d)", errNewerValue, value[0])
	}
	commit, n := binary.Uvarint(value[1+sumLen:])
	if n <= 0 {
		return nil, 0, queue.ErrDamaged
	}
	return value[1+sumLen+n:], commit, nil
}

// checksum covers the kind, the key and all of the value except the checksum itself.
func (k kind) checksum(key, value []byte) uint32 {
	c := crc32.Checksum([]byte{byte(k)}, castagnoli)
	c = crc32.Update(c, castagnoli, key)
	c = crc32.Update(c, castagnoli, value[:1])
	return crc32.Update(c, castagnoli, value[1+sumLen:])
}

// encode returns the payload of a record, without its Seq.
func encode(r *queue.Record) ([]byte, error) {
	room, err := encodeIn(r)
	if err != nil {
		return nil, err
	}
	return room[sealLen:], nil
}

// encodeIn returns it with room for its seal in front.
func encodeIn(r *queue.Record) ([]byte, error) {
	b := encodings.Get().(*bytes.Buffer)
	defer encodings.Put(b)
	b.Reset()
	if err := encMode.MarshalToBuffer(r, b); err != nil {
		return nil, fmt.Errorf("writing a record: %w", err)
	}
	if b.Len() > maxPayload {
		return nil, fmt.Errorf("a record of %d bytes is larger than %d: refuse such messages earlier", b.Len(), maxPayload)
	}
	if len(r.Deliveries) > 1<<16-1 {
		return nil, fmt.Errorf("a record with %d deliveries: at most %d", len(r.Deliveries), 1<<16-1)
	}
	return append(make([]byte, sealLen, sealLen+b.Len()), b.Bytes()...), nil
}

// encodings are reused buffers for writing records.
var encodings = sync.Pool{New: func() any { return new(bytes.Buffer) }}

// decode reads a payload into a record that shares no memory with it.
func decode(seq uint64, payload []byte) (*queue.Record, error) {
	r := new(queue.Record)
	if err := decMode.Unmarshal(payload, r); err != nil {
		return nil, fmt.Errorf("%w: record %d: %v", queue.ErrDamaged, seq, err)
	}
	r.Seq = seq
	return r, nil
}

// openRecord reads the value of a record.
func openRecord(seq uint64, value []byte) (*queue.Record, error) {
	return openUnless(nil, seq, value)
}

// openUnless reads the value of a record, or returns known if that was read from it.
func openUnless(known *queue.Record, seq uint64, value []byte) (*queue.Record, error) {
	payload, commit, err := isRecord.unseal(recordKey(seq), value)
	if err != nil {
		return nil, fmt.Errorf("record %d: %w", seq, err)
	}
	if known != nil && known.Version == commit && commit != 0 {
		return known, nil
	}
	r, err := decode(seq, payload)
	if err != nil {
		return nil, err
	}
	r.Version = commit
	return r, nil
}
