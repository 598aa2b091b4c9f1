package bridge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/queue"
)

// order is one thing that the operator can do with a message.
type order struct {
	b  *Bridge
	at queue.Stamp
	by string // for the history: "by the operator", "by N0QRA"
	to *line  // for move

	tell telling // whether the writer is told
}

// orders are what Order can do: each changes one open delivery of a record, and
// returns the records to create with it, or an error that leaves it as it is.
var orders = map[string]func(*order, *queue.Record, int) ([]*queue.Record, error){
	desk.Hold:    (*order).hold,
	desk.Release: (*order).release,
	desk.Retry:   (*order).retry,
	desk.Drop:    (*order).drop,
	desk.Move:    (*order).move,
}

// Order does with an open message what the operator says, and returns its story. The
// change is on disk before Order returns. A frame that is being sent at this moment
// still goes out.
func (b *Bridge) Order(ctx context.Context, o desk.Order) (desk.Story, error) {
	do := orders[o.Do]
	if do == nil {
		return desk.Story{}, fmt.Errorf("%w: there is no order %q", desk.ErrUsage, o.Do)
	}
	r, err := b.find(ctx, o.ID)
	if err != nil {
		return desk.Story{}, err
	}
	op := &order{b: b, at: b.stamp(), by: "by " + cmp.Or(o.By, "the operator")}
	if o.Do == desk.Move {
		if op.to, err = b.wayOut(o.Link, r); err != nil {
			return desk.Story{}, err
		}
	}
	if o.Do == desk.Drop {
		op.tell = b.mayTell(&r.Message)
	}
	done, err := b.store.Apply(ctx, queue.Op{Seq: r.Seq, Urgent: true, Change: func(r *queue.Record) ([]*queue.Record, error) { return op.carryOut(r, do) }})
	if err == nil {
		err = done[0].Err
	}
	if err != nil {
		return desk.Story{}, err
	}
	r = done[0].Record
	b.log.Info("ordered by the operator", "id", b.id(r.Seq), "order", o.Do, "link", o.Link, "by", cmp.Or(o.By, "the operator"))
	b.afterOrder(o.Do, r)
	return b.story(r), nil
}

// OrderRestored releases or drops every message from a backup that is still held for
// review. It returns how many there were; after an error some of them may be done.
func (b *Bridge) OrderRestored(ctx context.Context, o desk.Order) (n int, err error) {
	if o.Do != desk.Release && o.Do != desk.Drop {
		return 0, cannot("what a backup brought back can be released or dropped as a whole; for %s name a message", o.Do)
	}
	err = b.walk(ctx, true, 0, func(r *queue.Record) (bool, error) {
		if !r.Restored {
			return true, nil
		}
		one := o
		one.ID = b.id(r.Seq)
		if _, err := b.Order(ctx, one); err != nil && !errors.Is(err, desk.ErrUsage) { // ErrUsage: it has just ended
			return false, err
		}
		n++
		return true, nil
	})
	return n, err
}

// carryOut changes each open delivery that the order applies to. If it applies to none
// it is refused, with the reason for the last one.
func (o *order) carryOut(r *queue.Record, do func(*order, *queue.Record, int) ([]*queue.Record, error)) (out []*queue.Record, err error) {
	if !r.Open() {
		return nil, fmt.Errorf("%w: %s is over (%s), nothing of it waits any longer", desk.ErrUsage, o.b.id(r.Seq), r.Outcome)
	}
	did := 0
	var why error
	for i := range r.Deliveries {
		if !r.Deliveries[i].State.Open() {
			continue
		}
		created, err := do(o, r, i)
		if err != nil {
			why = err
			continue
		}
		did++
		out = append(out, created...)
	}
	if did == 0 {
		return nil, why
	}
	r.Restored = false
	return out, nil
}

// afterOrder wakes the couriers, and counts what has ended.
func (b *Bridge) afterOrder(do string, r *queue.Record) {
	for i := range r.Deliveries {
		d := &r.Deliveries[i]
		if do == desk.Drop && d.State == queue.Dropped {
			b.ended(r, i)
		}
		if ln := b.byName[d.Link]; ln != nil {
			ln.courier.Wake()
		}
		if d.State == queue.Held {
			b.control.toRelease(callsign.Base(d.To))
			b.wakeRelease()
		}
	}
}

// cannot says why an order does not apply to a delivery.
func cannot(format string, args ...any) error {
	return fmt.Errorf("%w: %s", desk.ErrUsage, fmt.Sprintf(format, args...))
}

// hold parks a delivery until release. Its lifetime keeps running.
func (o *order) hold(r *queue.Record, i int) ([]*queue.Record, error) {
	d := &r.Deliveries[i]
	switch d.State {
	case queue.Parked:
		return nil, cannot("%s is held already", o.b.id(r.Seq))
	case queue.Passed, queue.Shadow, queue.Gathering:
		return nil, cannot("%s: %s", o.b.id(r.Seq), o.b.waitsFor(d))
	}
	d.State, d.Error = queue.Parked, ""
	r.Note(o.at, "parked", d.Link, o.by)
	return nil, nil
}

// release continues a parked delivery where it stopped.
func (o *order) release(r *queue.Record, i int) ([]*queue.Record, error) {
	d := &r.Deliveries[i]
	if d.State != queue.Parked {
		return nil, cannot("%s is not held by the operator; it waits: %s", o.b.id(r.Seq), o.b.waitsFor(d))
	}
	d.Error, d.Due = "", o.at.Age
	if namedByWriter(r, d) {
		d.Parts = nil // now the gateway sends it, under its own frame id
	}
	switch {
	case d.Link == "":
		d.State = queue.Held
	case d.Begun:
		d.State = queue.Later
	default:
		d.State = queue.Ready
	}
	r.Note(o.at, "released", d.Link, o.by)
	return nil, nil
}

// retry tries a delivery once more now, whatever it waits for.
func (o *order) retry(r *queue.Record, i int) ([]*queue.Record, error) {
	d := &r.Deliveries[i]
	ln := o.b.byName[d.Link]
	switch {
	case d.State == queue.Parked:
		return nil, cannot("%s is held by the operator: release it", o.b.id(r.Seq))
	case d.State == queue.Gathering:
		return nil, cannot("%s waits for %s", o.b.id(r.Seq), o.b.waitsFor(d))
	case d.State == queue.Passed || d.State == queue.Shadow:
		return nil, cannot("%s: %s; 'posthouse queue move' takes it back", o.b.id(r.Seq), o.b.waitsFor(d))
	case ln == nil:
		return nil, cannot("nobody has heard %s: say by which link to try, with 'posthouse queue move %d LINK'", d.To, r.Seq)
	case d.State == queue.Ready && d.Due <= o.at.Age:
		return nil, cannot("%s is due already; it waits: %s", o.b.id(r.Seq), o.b.waitsFor(d))
	case d.Begun:
		d.State, d.Round = queue.Later, min(d.Round, ln.props.Resends)
	default:
		d.State, d.Parts = queue.Ready, nil
	}
	d.Due = o.at.Age
	r.Note(o.at, "retried", d.Link, o.by)
	return nil, nil
}

// drop ends a delivery; its writer is told.
func (o *order) drop(r *queue.Record, i int) ([]*queue.Record, error) {
	r.Deliveries[i].Error = "dropped " + o.by
	return o.b.end(r, i, queue.Dropped, o.at, o.tell.always), nil
}

// move sends a delivery by another link, from the beginning.
func (o *order) move(r *queue.Record, i int) ([]*queue.Record, error) {
	d := &r.Deliveries[i]
	was := d.Link
	if was == o.to.Name && d.State != queue.Passed && d.State != queue.Parked {
		return nil, cannot("%s waits for %s already", o.b.id(r.Seq), was)
	}
	next := o.b.deliveriesTo(route.Target{Link: o.to.Name, To: d.To})
	if len(next) != 1 || next[0].State != queue.Ready {
		return nil, cannot("%s leads to no gateway that reaches %s now", o.to.Name, d.To)
	}
	next[0].Attempts = d.Attempts
	*d = next[0]
	note := "to " + o.to.Name + " " + o.by
	if was != "" {
		note = "from " + was + " " + note
	}
	r.Note(o.at, "moved", o.to.Name, note)
	return nil, nil
}

// wayOut finds the link to which a message is to be moved, and checks that its medium
// takes the address and the rules allow it.
func (b *Bridge) wayOut(name string, r *queue.Record) (*line, error) {
	ln, m := b.byName[name], &r.Message
	switch {
	case ln == nil:
		return nil, cannot("there is no link %q; say one of %s", name, strings.Join(b.linkNames(), ", "))
	case !ln.MaySend():
		return nil, cannot("link %s only receives", name)
	case b.isGroup(m.To):
		return nil, cannot("%s is a text to the group %s, which goes by each of its links", b.id(r.Seq), m.To)
	case message.IsMail(m.To) && ln.Kind != config.KindMail && ln.trunk == nil:
		return nil, cannot("%s is a mail address, and %s carries no mail", m.To, name)
	case !message.IsMail(m.To) && ln.Kind == config.KindMail:
		return nil, cannot("%s is no mail address, and %s carries only mail", m.To, name)
	}
	if ref := b.mayTake(m, route.Target{Link: name, To: m.To}); ref != nil {
		return nil, refused(ref)
	}
	return ln, nil
}

func (b *Bridge) linkNames() (names []string) {
	for _, ln := range b.lines {
		names = append(names, ln.Name)
	}
	return names
}
