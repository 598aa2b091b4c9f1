package bridge

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

const (
	clerkEvery = time.Second
	saveEvery  = 10 * time.Minute
	// saveNewsAfter is when a station that is heard for the first time is saved, so
	// that texts to it can be routed after a power failure.
	saveNewsAfter = 5 * time.Second
	purgeEvery    = 10 * time.Minute
	watchEvery    = 5 * time.Second
	atATime       = 200 // records in one read or commit, so that others need not wait long
	clockKey      = "clock"

	looksAtOnce = 10 // times atATime records in one tick; the rest waits for the next
)

// clerk does what is due by time: it ends lifetimes, tells writers that a text is
// held, holds local texts that were not acknowledged, and removes old records.
func (b *Bridge) clerk(ctx context.Context) {
	tick := time.NewTicker(clerkEvery)
	defer tick.Stop()
	last := rounds{saved: time.Now(), watched: time.Now(), purged: time.Now().Add(-purgeEvery), refused: time.Now()}
	b.joinWhole(ctx)
	b.resumeAlarms(ctx)
	b.gauges()
	for {
		var farther, ticked bool
		select {
		case <-ctx.Done():
		case <-b.released:
		case <-b.farther:
			farther = true
		case <-tick.C:
			ticked = true
		}
		if ctx.Err() != nil {
			return
		}
		// Always in this order, whichever case select took, so that a simulation can be replayed.
		b.release(ctx)
		if farther || holds(b.farther) {
			b.seek(ctx)
		}
		if ticked || holds(tick.C) {
			b.round(ctx, &last)
		}
	}
}

// rounds are the times of the clerk's last work that is not due with each tick.
type rounds struct{ saved, watched, purged, refused time.Time }

// round is the clerk's work of one tick.
func (b *Bridge) round(ctx context.Context, last *rounds) {
	b.lookAgain(ctx)
	b.sweep(ctx)
	b.release(ctx)
	b.reroute(ctx)
	if time.Since(last.watched) >= watchEvery {
		last.watched = time.Now()
		b.gauges()
		b.watchTroubles(ctx)
		b.watchAlarms(ctx)
	}
	if len(b.trunks()) > 0 {
		b.followFar(ctx)
		b.tellTaken(ctx)
		b.endWaits(ctx)
		b.handOver(ctx)
	}
	if time.Since(last.saved) >= b.saveEvery() || time.Since(last.saved) >= saveNewsAfter && b.heard.hasNews() {
		last.saved = time.Now()
		b.saveHeard(ctx)
	}
	if time.Since(last.refused) >= saveRefusalsEvery {
		last.refused = time.Now()
		b.saveRefusals(ctx)
	}
	if time.Since(last.purged) >= min(purgeEvery, b.cfg.KeepLog/4) {
		last.purged = time.Now()
		b.purge(ctx)
		b.forget(ctx)
		b.forgetRefusals(ctx)
	}
}

// holds takes a value from a channel, and tells whether there was one.
func holds[T any](c <-chan T) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

// lookAgain looks at the open records whose time has come: their lifetime is over,
// or their writer has to be told that they wait.
func (b *Bridge) lookAgain(ctx context.Context) {
	for range looksAtOnce {
		seqs, err := b.store.Expiring(ctx, b.clock.Age(), atATime)
		if err != nil || len(seqs) == 0 || ctx.Err() != nil {
			return
		}
		var ops []queue.Op
		spent := &spending{}
		for _, seq := range seqs {
			if op, ok := b.look(ctx, seq, spent); ok {
				ops = append(ops, op)
			}
		}
		done, err := b.store.Apply(ctx, ops...)
		if err != nil {
			spent.giveBack()
			b.log.Error("ending expired messages failed, trying again", "err", err)
			return
		}
		for _, d := range done {
			if d.Err == nil && d.Record != nil && !d.Record.Open() {
				b.expired(d.Record)
			}
		}
	}
}

// expired counts and logs the deliveries of a record that have expired.
func (b *Bridge) expired(r *queue.Record) {
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.State == queue.Expired {
			b.ended(r, i)
			b.log.Warn("expired", "link", d.Link, "id", b.id(r.Seq), "from", r.Message.From, "to", r.Message.To, "err", d.Error)
		}
	}
}

// look decides what to do with one record now.
func (b *Bridge) look(ctx context.Context, seq uint64, spent *spending) (queue.Op, bool) {
	r, err := b.store.Get(ctx, seq)
	if err != nil {
		return queue.Op{}, false
	}
	at := b.stamp()
	if at.Age >= r.Until {
		told := untold
		if !r.Restored { // from a backup: nobody knows whether it arrived
			told = spent.mayTell(b, &r.Message)
		}
		return queue.Op{Seq: seq, Change: b.expire(at, told)}, true
	}
	if r.Deliveries[0].State == queue.Gathering {
		return b.endGathering(r, at, spent)
	}
	return b.stillWaiting(r, at, spent), true
}

// expire ends all open deliveries of a record.
func (b *Bridge) expire(at queue.Stamp, told telling) func(*queue.Record) ([]*queue.Record, error) {
	return func(r *queue.Record) ([]*queue.Record, error) {
		var out []*queue.Record
		for i := range r.Deliveries {
			if d := &r.Deliveries[i]; d.State.Open() {
				out = append(out, b.end(r, i, queue.Expired, at, told.always)...)
			}
		}
		return out, nil
	}
}

// tellHeld has the clerk look at a record that is held now, so that its writer is
// told once, when the text is five minutes old.
func tellHeld(r *queue.Record, at queue.Stamp) {
	if !r.Told {
		r.Expires = min(r.Until, max(at.Age, r.Accepted.Age.Add(lookAgain(r.Message.Precedence))))
	}
}

// stillWaiting tells the writer once that a text is held, and operators that an
// emergency is not acknowledged; then nothing is due until the lifetime ends.
func (b *Bridge) stillWaiting(r *queue.Record, at queue.Stamp, spent *spending) queue.Op {
	var held string
	for _, d := range r.Deliveries {
		if d.State == queue.Held {
			held = d.To
		}
	}
	seq := r.Seq
	emergency := r.Message.Precedence == message.Emergency && r.Open() && !hasStep(r, alerted)
	tell := held != "" && !r.Told && r.Message.From != b.own.String() && spent.mayTell(b, &r.Message) == atOnce
	last := b.lastHeard(held)
	return queue.Op{Seq: seq, Urgent: emergency, Change: func(r *queue.Record) (out []*queue.Record, err error) {
		r.Expires = r.Until
		endLocal(r, at)
		if emergency && at.Age.Sub(r.Accepted.Age) < unacknowledgedAfter {
			r.Expires = min(r.Until, r.Accepted.Age.Add(unacknowledgedAfter))
		}
		if emergency && at.Age.Sub(r.Accepted.Age) >= unacknowledgedAfter {
			out = b.unconfirmed(r)
			r.Note(at, alerted, "", "nobody has confirmed it")
		}
		if !tell || r.Told {
			return out, nil
		}
		r.Told = true
		r.Note(at, "told", r.Message.Link, "held")
		return append(out, b.notice(&r.Message, r.Seq, at, heldText(&r.Message, last))), nil
	}}
}

// lastHeard says when a station was heard.
func (b *Bridge) lastHeard(call string) string {
	list := b.heard.find(callsign.Base(call))
	if len(list) == 0 {
		return "never heard"
	}
	wall, _ := b.clock.Wall()
	ago := b.clock.Age().Sub(list[0].at)
	return fmt.Sprintf("not heard since %s", wall.Add(-ago).Format("1504Z"))
}

// alerted is the step in a record's history when operators were told that it is
// not acknowledged.
const alerted = "alerted"

func hasStep(r *queue.Record, what string) bool {
	return slices.ContainsFunc(r.History, func(s queue.Step) bool { return s.What == what })
}

// endLocal holds a text between two stations of one mesh that was not acknowledged
// there in time.
func endLocal(r *queue.Record, at queue.Stamp) {
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		switch {
		case d.State != queue.Local:
		case d.Due > at.Age:
			r.Expires = min(r.Expires, d.Due)
		default:
			r.Note(at, "held", d.Link, d.To+" did not acknowledge on the mesh")
			d.State, d.Parts = queue.Held, nil
			tellHeld(r, at)
		}
	}
}

// identitiesFor is how long identities are kept at least, whatever the settings.
const identitiesFor = 2 * time.Hour

// purge removes finished records and identities that are old enough.
func (b *Bridge) purge(ctx context.Context) {
	now := b.clock.Age()
	keep := time.Duration(identitiesFor)
	for _, ln := range b.lines {
		keep = max(keep, sameFor(&ln.Link))
	}
	for ctx.Err() == nil {
		n, err := b.store.Purge(ctx, now.Add(-b.cfg.KeepLog), now.Add(-keep), atATime)
		if err != nil {
			b.log.Error("removing old messages from the log failed", "err", err)
			return
		}
		if n < atATime {
			return
		}
	}
}

// exactTimes writes times with their fractions of a second. Without them each start would
// add up to a second too much to the age, and lifetimes would end early.
var exactTimes, _ = cbor.EncOptions{Time: cbor.TimeRFC3339NanoUTC}.EncMode() // valid: cannot fail

// savedClock is the state of the clock for the next start.
func (b *Bridge) savedClock() []byte {
	v, _ := exactTimes.Marshal(b.clock.Save()) // plain fields: cannot fail
	return v
}

// SavedClock reads the state of the clock at the last stop, for clock.New.
func SavedClock(ctx context.Context, s queue.Store) (clock.Saved, error) {
	var saved clock.Saved
	v, err := s.Setting(ctx, clockKey)
	if err != nil || v == nil {
		return saved, err
	}
	return saved, cbor.Unmarshal(v, &saved)
}
