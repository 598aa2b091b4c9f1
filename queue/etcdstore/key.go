//go:build hub

package etcdstore

import (
	"encoding/binary"
	"fmt"
	"strings"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

// Keys, all under the prefix of one gateway:
//
//	r/<seq, 8 bytes>   sealed record
//	i/<identity>       seq and age of the record accepted last; leased, so that it goes in time
//	s/<key>            setting
//	n                  the highest number given (number.go)
//	t/<process>        number of the process's last transaction
//	h/<process>        the process lives; leased
//	o/<part>           the process that has a part of the work; leased
type keys struct{ prefix string }

func (k keys) record(seq uint64) string {
	return k.prefix + "r/" + string(binary.BigEndian.AppendUint64(nil, seq))
}

func (k keys) identity(id queue.Identity) string { return k.prefix + "i/" + string(id[:]) }
func (k keys) setting(name string) string        { return k.prefix + "s/" + name }
func (k keys) number() string                    { return k.prefix + "n" }
func (k keys) last(process string) string        { return k.prefix + "t/" + process }
func (k keys) life(process string) string        { return k.prefix + "h/" + process }
func (k keys) part(name string) string           { return k.prefix + "o/" + name }

// cut tells what a key is: its kind, and the rest behind it.
func (k keys) cut(key []byte) (kind, rest string) {
	s, ok := strings.CutPrefix(string(key), k.prefix)
	if !ok || s == "" {
		return "", ""
	}
	if kind, rest, ok := strings.Cut(s, "/"); ok {
		return kind, rest
	}
	return s, ""
}

func seqOf(rest string) (uint64, bool) {
	if len(rest) != 8 {
		return 0, false
	}
	return binary.BigEndian.Uint64([]byte(rest)), true
}

func number(n uint64) string { return string(binary.BigEndian.AppendUint64(nil, n)) }

func readNumber(b []byte) uint64 {
	if len(b) != 8 {
		return 0 // the key is not there
	}
	return binary.BigEndian.Uint64(b)
}

// memory is what is kept of an identity: the record that was accepted last.
type memory struct {
	seq uint64
	age clock.Age
}

func (m memory) String() string { return number(m.seq) + number(uint64(m.age)) }

func readMemory(b []byte) (memory, error) {
	if len(b) != 16 {
		return memory{}, fmt.Errorf("%w: an identity of %d bytes", queue.ErrDamaged, len(b))
	}
	return memory{readNumber(b[:8]), clock.Age(readNumber(b[8:]))}, nil
}
