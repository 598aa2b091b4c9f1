package bridge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"posthouse/bridge/airtime"
	"posthouse/bridge/clock"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// page is how many records are read at once, so that a long list neither keeps a
// transaction open nor fills the memory.
const page = 100

// Log calls each with a line for every message that was accepted or refused in the
// span, in the order in which they came. Times from an untrusted clock do not decide,
// but the gateway's age.
func (b *Bridge) Log(ctx context.Context, span desk.Span, steps bool, each func(desk.Line) error) error {
	b.fileMarks(ctx)
	from, err := b.firstSince(ctx, span.Since)
	if err != nil {
		return err
	}
	turnedAway, err := b.refusals.all(ctx, b.store)
	if err != nil {
		return err
	}
	refusedUntil := func(at clock.Age) error { // passes on the refusals before that age
		for len(turnedAway) > 0 && turnedAway[0].At.Age < at {
			r := turnedAway[0]
			turnedAway = turnedAway[1:]
			if span.Contains(b.when(r.At)) {
				if err := each(refusalLine(r)); err != nil {
					return err
				}
			}
		}
		return nil
	}
	err = b.walk(ctx, false, from, func(r *queue.Record) (bool, error) {
		if err := refusedUntil(r.Accepted.Age); err != nil {
			return false, err
		}
		if b.past(r.Accepted, span.Until) {
			return false, nil
		}
		if !span.Contains(b.when(r.Accepted)) {
			return true, nil
		}
		return true, each(b.line(r, steps))
	})
	if err != nil {
		return err
	}
	return refusedUntil(math.MaxInt64)
}

// fileMarks commits what waits for the next commit, so that a text that was just sent
// is listed as sent. A store that cannot write is read as it is; a hub's is not waited
// for.
func (b *Bridge) fileMarks(ctx context.Context) {
	if b.share == nil {
		_, _ = b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{}})
	}
}

// walk calls do with each record after a number, until do returns false.
func (b *Bridge) walk(ctx context.Context, openOnly bool, after uint64, do func(*queue.Record) (bool, error)) error {
	for {
		records, err := b.store.List(ctx, openOnly, after, page)
		if err != nil || len(records) == 0 {
			return err
		}
		for _, r := range records {
			if more, err := do(r); err != nil || !more {
				return err
			}
			after = r.Seq
		}
	}
}

// when is the time of day of a stamp: by the clock if it was trusted then, else
// computed back from now, if the clock is trusted now.
func (b *Bridge) when(s queue.Stamp) time.Time {
	if now := b.stamp(); !s.Sure && now.Sure {
		return now.Wall.Add(-now.Age.Sub(s.Age))
	}
	return s.Wall
}

// slack is how far a clock can be set back and still be trusted.
const slack = time.Hour

// past tells whether everything accepted later lies after the end of a span.
func (b *Bridge) past(s queue.Stamp, until time.Time) bool {
	return !until.IsZero() && s.Sure && s.Wall.After(until.Add(slack))
}

// firstSince finds, by bisection, a number after which all records accepted since a
// time are, so that nobody reads a year's log for its last hour. The gateway's age
// runs no faster than the clock, so it is safe to go by age.
func (b *Bridge) firstSince(ctx context.Context, since time.Time) (uint64, error) {
	now := b.stamp()
	if since.IsZero() || !now.Sure {
		return 0, nil
	}
	oldest := now.Age.Add(-now.Wall.Sub(since) - slack)
	isOlder := func(seq uint64) (bool, error) {
		list, err := b.store.List(ctx, false, seq, 1)
		return len(list) > 0 && list[0].Accepted.Age < oldest, err
	}
	low, step := uint64(0), uint64(1)
	for {
		older, err := isOlder(low + step)
		if err != nil {
			return 0, err
		}
		if !older {
			break
		}
		low, step = low+step, 2*step
	}
	for high := low + step; high-low > 1; {
		mid := low + (high-low)/2
		older, err := isOlder(mid)
		if err != nil {
			return 0, err
		}
		if older {
			low = mid
		} else {
			high = mid
		}
	}
	return low, nil
}

// Story returns everything that is known about one message.
func (b *Bridge) Story(ctx context.Context, id string) (desk.Story, error) {
	b.fileMarks(ctx)
	r, err := b.find(ctx, id)
	if err != nil {
		return desk.Story{}, err
	}
	s := b.story(r)
	if s.Told, err = b.told(ctx, r); err != nil {
		return desk.Story{}, fmt.Errorf("reading what was told of message %s: %w", s.ID, err)
	}
	return s, nil
}

// find reads the record of an id as people write it: N0QRZ-10.123, or 123.
func (b *Bridge) find(ctx context.Context, id string) (*queue.Record, error) {
	seq, ok := b.seqOf(canonical(id))
	if n, err := strconv.ParseUint(id, 10, 63); err == nil {
		seq, ok = n, true
	}
	if !ok || seq == 0 {
		return nil, fmt.Errorf("%w: %q is not the id of a message of %s; write %s or just 123", desk.ErrUsage, id, b.own, b.id(123))
	}
	r, err := b.store.Get(ctx, seq)
	if errors.Is(err, queue.ErrNotFound) {
		return nil, fmt.Errorf("%w: %s; 'posthouse queue list' and 'posthouse log' show what there is", desk.ErrUnknown, b.id(seq))
	}
	if err != nil {
		return nil, fmt.Errorf("reading message %s: %w", b.id(seq), err)
	}
	return r, nil
}

// sorted is how many open deliveries are sorted into the order in which they will be
// sent; the others follow in the order of acceptance.
const sorted = 10000

// waiting is what sorting needs of an open delivery.
type waiting struct {
	item       queue.Item
	precedence message.Precedence
	expected   time.Duration // airtime.Never; negative: not known
}

// Queue calls each with what waits, the most urgent first: n deliveries at most,
// 0 for all.
func (b *Bridge) Queue(ctx context.Context, n int, each func(desk.Row) error) error {
	list, last, err := b.gather(ctx)
	if err != nil {
		return err
	}
	shown := 0
	emit := func(r *queue.Record, w waiting) error {
		shown++
		return each(b.row(r, w))
	}
	for _, w := range list {
		if n > 0 && shown >= n {
			return nil
		}
		r, err := b.store.Get(ctx, w.item.Seq)
		if err != nil || !r.Deliveries[w.item.Delivery].State.Open() {
			continue // it ended meanwhile
		}
		if err := emit(r, w); err != nil {
			return err
		}
	}
	if last == 0 {
		return nil
	}
	return b.walk(ctx, true, last, func(r *queue.Record) (bool, error) {
		for i := range r.Deliveries {
			if n > 0 && shown >= n {
				return false, nil
			}
			if !r.Deliveries[i].State.Open() {
				continue
			}
			if err := emit(r, waiting{item: queue.Item{Seq: r.Seq, Delivery: i}, expected: -1}); err != nil {
				return false, err
			}
		}
		return true, nil
	})
}

// gather lists the oldest open deliveries in the order in which they will be sent,
// with their wait for airtime. There are more after the number last; 0: there are none.
func (b *Bridge) gather(ctx context.Context) (list []waiting, last uint64, err error) {
	requests, at := map[string][]airtime.Request{}, map[string][]int{}
	err = b.walk(ctx, true, 0, func(r *queue.Record) (bool, error) {
		if len(list) >= sorted {
			return false, nil
		}
		for i := range r.Deliveries {
			d := &r.Deliveries[i]
			if !d.State.Open() {
				continue
			}
			if c := b.pacedCarrier(d); c != nil {
				requests[d.Link] = append(requests[d.Link], c.ln.pace.request(b, r, c.nextBytes(r, i)))
				at[d.Link] = append(at[d.Link], len(list))
			}
			list = append(list, waiting{item: queue.Item{Seq: r.Seq, Delivery: i}, precedence: r.Message.Precedence, expected: -1})
		}
		last = r.Seq
		return true, nil
	})
	if len(list) < sorted {
		last = 0
	}
	for name, queue := range requests {
		for i, wait := range b.byName[name].pace.budget.Forecast(b.clock.Age(), queue) {
			list[at[name][i]].expected = wait
		}
	}
	slices.SortStableFunc(list, func(a, b waiting) int { return cmp.Compare(a.precedence, b.precedence) })
	return list, last, err
}

// pacedCarrier is the carrier of a delivery that is sent as soon as there is airtime;
// nil if airtime does not matter for it.
func (b *Bridge) pacedCarrier(d *queue.Delivery) *carrier {
	ln := b.byName[d.Link]
	if ln == nil || ln.pace == nil || d.State != queue.Ready && d.State != queue.Later {
		return nil
	}
	return &carrier{b: b, ln: ln}
}

// row is an open delivery for the list.
func (b *Bridge) row(r *queue.Record, w waiting) desk.Row {
	d := &r.Deliveries[w.item.Delivery]
	now := b.clock.Age()
	row := desk.Row{Head: b.head(r), Way: b.way(d), Waited: now.Sub(r.Accepted.Age).Seconds()}
	switch {
	case w.expected == airtime.Never:
		row.Never = true
	case w.expected >= 0:
		wait := max(w.expected, clock.Age(d.Due).Sub(now)).Seconds()
		row.Expected = &wait
	}
	return row
}

// Waiting tells how many deliveries are open.
func (b *Bridge) Waiting() int {
	n := int64(0)
	for _, open := range b.store.Stats().Open {
		for _, count := range open {
			n += count
		}
	}
	return int(n)
}

// Stations lists who was heard, the latest first.
func (b *Bridge) Stations() []desk.Station {
	now := b.clock.Age()
	var out []desk.Station
	for _, e := range b.heard.all(func(*hearing) bool { return true }) {
		s := desk.Station{Call: e.call, Link: e.link, Ago: now.Sub(e.at).Seconds(), Answers: e.answers, SNR: e.snr, RSSI: e.rssi, Moment: b.wallAt(e.at)}
		if ln := b.byName[e.link]; ln != nil {
			s.Fresh = now.Sub(e.at) <= ln.HeardFor
		}
		if e.where != nil {
			s.Lat, s.Lon = &e.where.Lat, &e.where.Lon
		}
		out = append(out, s)
	}
	out = append(out, b.farStations()...)
	slices.SortFunc(out, func(a, b desk.Station) int {
		return cmp.Or(cmp.Compare(a.Ago, b.Ago), cmp.Compare(a.Call, b.Call), cmp.Compare(a.Link, b.Link))
	})
	return out
}
