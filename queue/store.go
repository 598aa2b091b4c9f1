package queue

import (
	"context"
	"errors"
	"fmt"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// Store keeps the records and the schedule that follows from them. It is safe
// for concurrent use. Everything that Apply reports as done is on disk (or with
// a majority), unless the op was lazy.
//
// The schedule is a function of the records: with each change of a record the store
// files all its open deliveries again, in the same atomic step:
//
//   - Ready, and Later with Begun unset: in its Lane, by Seq. Only the first of a
//     lane, the head, is listed: by Heads once its Due has come, until then by Due.
//     The others wait behind it, whatever their own Due.
//   - Later with Begun set, Local, Passed, Shadow, Gathering: listed by Due.
//   - Held: listed by Held under the base call sign of To (callsign.Base; a To that
//     is no call sign is used as it is).
//   - Parked, and every final state: not listed.
//
// Each Part with an ID can be found by Frame until the record is purged.
type Store interface {
	// Apply carries out ops in one atomic step, all or none, and returns one
	// Done each in the same order. An error means that none took effect:
	// ErrFull when the store has no room (receipts and emergencies are let into a
	// reserve), any other error when writing failed. Concurrent calls share
	// commits without waiting for one another longer than a commit takes.
	//
	// A store on the network may take several steps, in order, for more than about
	// 30 ops; after an error the first steps may have been taken. It may also not know
	// whether a step was taken: ErrUncertain.
	Apply(ctx context.Context, ops ...Op) ([]Done, error)

	// Get reads one record; ErrNotFound when it isn't there, ErrDamaged when its
	// checksum does not fit.
	Get(ctx context.Context, seq uint64) (*Record, error)

	// Fresh is Get for a caller that has read the record before: it returns r itself,
	// with whatever the caller changed in it, unless the record was written since.
	Fresh(ctx context.Context, r *Record) (*Record, error)

	// Heads lists the first of each lane of a link and precedence that is due at
	// now, by Seq, from after (exclusive), n at most.
	Heads(ctx context.Context, link string, p message.Precedence, now clock.Age, after uint64, n int) ([]Item, error)

	// Behind lists what waits in a lane, by Seq, from after (exclusive), n at most.
	Behind(ctx context.Context, lane Lane, after uint64, n int) ([]Item, error)

	// Due lists what is due on a link ("" for deliveries without one) at until, the
	// earliest first, n at most: resends, heads that waited after an error, Local and
	// Passed whose time is over. NextDue is when the first is due; false: there is
	// none.
	Due(ctx context.Context, link string, until clock.Age, n int) ([]Item, error)
	NextDue(ctx context.Context, link string) (clock.Age, bool, error)

	// Held lists what waits for a station, by Seq, n at most; call is a base call
	// sign. Sought lists the base call signs that something is held for, n at most.
	Held(ctx context.Context, call string, n int) ([]Item, error)
	Sought(ctx context.Context, n int) ([]string, error)

	// Frame finds the delivery, and the part, that a station acknowledges, by link,
	// addressee and frame id; ErrNotFound when there is none. It reads no record, so
	// Due is not set, and the record may turn out to be damaged.
	Frame(ctx context.Context, link, to, id string) (Item, int, error)

	// Known finds the record of an identity that was first seen at or after since.
	Known(ctx context.Context, id Identity, since clock.Age) (uint64, bool, error)

	// List walks the records by Seq, from after (exclusive), n at most; openOnly
	// leaves out the finished ones without reading them. Damaged records are left
	// out and counted in Stats.
	List(ctx context.Context, openOnly bool, after uint64, n int) ([]*Record, error)

	// Expiring lists open records whose Expires is at or before until, n at most.
	Expiring(ctx context.Context, until clock.Age, n int) ([]uint64, error)

	// Setting reads one of the small values that Op.Put writes; nil when unset.
	// Settings lists those whose key has the prefix.
	Setting(ctx context.Context, key string) ([]byte, error)
	Settings(ctx context.Context, prefix string) (map[string][]byte, error)

	// Purge removes finished records accepted before the given age, oldest first, n
	// at most, and identities first seen before identitiesBefore. It returns how many
	// records it removed.
	Purge(ctx context.Context, before clock.Age, identitiesBefore clock.Age, n int) (int, error)

	// Stats is cheap: it reads counters, not records.
	Stats() Stats

	// Watch returns a channel that gets the name of a link ("" for none) when something
	// new waits there, anywhere in a lane or until a time. That is a hint: it never
	// blocks the store, and may name a link twice. Close closes it.
	Watch() <-chan string

	// Close writes lazy ops, waits for calls that are under way, and closes the
	// files. Later calls get ErrClosed.
	Close() error
}

// Op is one step of an Apply: exactly one of New, Change and Put is set.
type Op struct {
	// New creates a record unless its Identity was first seen within SameFor
	// (zero Identity or zero SameFor: always). The store sets Seq. Memory of the
	// identity is kept at least that long. The record's Accepted.Age is the time
	// of the step.
	New     *Record
	SameFor time.Duration
	// EventFor is the same for the record's Event.
	EventFor time.Duration
	// Urgent lets the op use the reserve of a full store.
	Urgent bool

	// Change reads the record Seq, lets Change alter it and writes it back. The
	// function sees each change that was applied before it; it may run more than
	// once and must have no side effects. Records it returns are created in the same
	// step. Any error leaves the record as it is and is returned in Done.Err; ErrSkip
	// is for that. The other ops are not affected.
	Seq    uint64
	Change func(*Record) ([]*Record, error)
	// Read, if set, is record Seq as the caller read it, unchanged, and belongs to the
	// store from now on: it saves a read unless the record was written since.
	Read *Record

	// Put sets small values; a nil value removes the key.
	Put map[string][]byte

	// Lazy lets the op wait for the next commit: it is on disk within five seconds.
	// Apply returns at once with an empty Done. Lazy ops are applied in order, before
	// any later op of the same store, and reads see them once they are committed.
	// Only for Change and Put.
	Lazy bool

	// Then, if set, is called once with the op's result when it is on disk, or for a
	// lazy op when reads see it, which a power failure may still undo. It runs on the
	// store's own goroutine: it must be quick and must not call the store. The Record of
	// a lazy op may share memory with what Change put into it. If the commit fails Then
	// is not called (a lazy op is tried again).
	Then func(Done)
}

// Done is the result of an op.
type Done struct {
	Seq       uint64   // of the record that was created, changed, or known already
	Duplicate bool     // New: the identity is known; nothing was created
	Record    *Record  // Change: the record after it; New: as stored
	Spawned   []uint64 // Change: the records that were created with it
	Err       error    // Change: ErrSkip, ErrNotFound, ErrDamaged or the function's own
}

// Item names one delivery of a record.
type Item struct {
	Seq      uint64
	Delivery int // index into Record.Deliveries
	Due      clock.Age
}

// Stats are the counters of a store.
type Stats struct {
	Records    int64                                   // all, finished ones included
	Open       map[string]map[message.Precedence]int64 // open deliveries by link ("" for none) and precedence
	Oldest     map[string]clock.Age                    // acceptance of the oldest open delivery by link
	Bytes      int64                                   // of the data file
	Damaged    int64                                   // records that could not be read
	Commits    int64                                   // since the store was opened
	LastCommit time.Duration                           // how long the last one took
}

// Room is how much room a store has, in bytes.
type Room struct {
	Free  int64  // on its disk
	Least int64  // with less on its disk the store takes nothing new
	Used  int64  // by the store
	Most  int64  // that the store may use
	Full  bool   // it takes nothing new now, except into its reserve
	Why   string // what the disk answers, as of a quota; empty: nothing
}

// Lack says why a store takes nothing new; empty: it does.
func (r Room) Lack() string {
	switch {
	case !r.Full:
		return ""
	case r.Free < r.Least:
		return fmt.Sprintf("%d MiB are left on the disk, and %d are needed", r.Free>>20, r.Least>>20)
	}
	lack := fmt.Sprintf("%d MiB of %d are in use, and %d are left on the disk", r.Used>>20, r.Most>>20, r.Free>>20)
	if r.Why != "" {
		lack += ", which answers: " + r.Why
	}
	return lack
}

// Errors of a Store. ErrSkip is what a Change returns to leave its record alone.
var (
	ErrNotFound = errors.New("no such record")
	ErrDamaged  = errors.New("record is damaged (checksum does not fit)")
	ErrSkip     = errors.New("left as it is")
	// ErrFull says that there is no room for anything new: on the disk, in the size
	// that the store may have, or in its reserve.
	ErrFull   = errors.New("the store is full")
	ErrClosed = errors.New("the store is closed")
	// ErrHangs: a write takes far too long. It goes on once the disk answers.
	ErrHangs = errors.New("the disk has not answered")
	// ErrUncertain: a store on the network did not answer. The ops may have been
	// carried out, or may be yet. If they are repeated, a New with an identity may be a
	// duplicate, and a Change may see its own first run.
	ErrUncertain = errors.New("nobody knows whether it was stored")
	// ErrAway: a store on the network could not be opened since it does not answer now.
	ErrAway = errors.New("the store does not answer")
)
