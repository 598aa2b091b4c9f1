package queue

import (
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime/debug"
	"slices"

	"posthouse/bridge/clock"
)

// Limits of a setting, in bytes.
const (
	maxSettingKey   = 1024
	maxSettingValue = 1 << 20
)

var errOneOf = errors.New("an op needs exactly one of New, Change and Put")

// Check returns what is wrong with an op itself; every store calls it first.
func (op *Op) Check() error {
	set := 0
	for _, is := range []bool{op.New != nil, op.Change != nil, op.Put != nil} {
		if is {
			set++
		}
	}
	if set != 1 {
		return errOneOf
	}
	if op.New != nil && op.Lazy {
		return errors.New("a New op cannot be lazy: its caller must know that it is on disk")
	}
	for key, val := range op.Put {
		if len(key) > maxSettingKey || len(val) > maxSettingValue {
			return fmt.Errorf("setting %.40q: key of %d bytes (at most %d), value of %d (at most %d)",
				key, len(key), maxSettingKey, len(val), maxSettingValue)
		}
	}
	return nil
}

// CopySettings copies the settings of a lazy op, which is carried out later: the
// caller may change its map and bytes as soon as Apply has returned.
func CopySettings(put map[string][]byte) map[string][]byte {
	put = maps.Clone(put)
	for key, val := range put {
		put[key] = slices.Clone(val)
	}
	return put
}

// Alter runs an op's Change on a record. If it panics, or changes what identifies
// the record, that is an error, and the record must be thrown away.
func (op *Op) Alter(r *Record, log *slog.Logger) (spawned []*Record, err error) {
	was := birthOf(r)
	defer func() {
		if p := recover(); p != nil {
			log.Error("a change of a record panicked", "id", r.Seq, "err", p, "stack", string(debug.Stack()))
			spawned, err = nil, fmt.Errorf("change of record %d panicked: %v", r.Seq, p)
		}
	}()
	if spawned, err = op.Change(r); err != nil {
		return nil, err
	}
	if birthOf(r) != was {
		return nil, fmt.Errorf("a change of record %d must leave Seq, Identity, Event and Accepted.Age alone", r.Seq)
	}
	return spawned, nil
}

// birth is what identifies a record; duplicates are recognised by it.
type birth struct {
	seq       uint64
	id, event Identity
	at        clock.Age
}

func birthOf(r *Record) birth { return birth{r.Seq, r.Identity, r.Event, r.Accepted.Age} }
