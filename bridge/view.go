package bridge

import (
	"fmt"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/desk"
	"posthouse/queue"
)

// moment is a stamp for people.
func moment(s queue.Stamp) desk.Moment {
	if s.Wall.IsZero() {
		return desk.Moment{}
	}
	return desk.Moment{At: s.Wall.UTC().Truncate(time.Millisecond), Unsure: !s.Sure}
}

// wallAt is the time of day at some age, computed back from now.
func (b *Bridge) wallAt(at clock.Age) desk.Moment {
	now := b.stamp()
	return desk.Moment{At: now.Wall.Add(at.Sub(now.Age)).UTC().Truncate(time.Second), Unsure: !now.Sure}
}

// head is what every list shows of a record.
func (b *Bridge) head(r *queue.Record) desk.Head {
	m := &r.Message
	return desk.Head{
		ID: b.id(r.Seq), Accepted: moment(r.Accepted), Kind: m.Kind, Precedence: m.Precedence, Claimed: m.Claimed,
		From: m.From, To: m.To, In: m.Link, Operator: m.Operator, Exercise: m.Exercise, Subject: m.Subject, Text: m.Text,
	}
}

// way is one of a record's deliveries.
func (b *Bridge) way(d *queue.Delivery) desk.Way {
	w := desk.Way{
		Link: d.Link, Station: d.To, Gateway: d.Gateway, State: string(d.State), Tries: d.Attempts,
		Ended: moment(d.Ended), Why: d.Error, Code: d.Code,
	}
	if len(d.Parts) > 1 {
		w.Parts, w.Acked = len(d.Parts), ackedParts(d)
	}
	if !d.State.Open() {
		return w
	}
	w.Why = b.waitsFor(d)
	if d.Due > b.clock.Age() && d.State != queue.Held {
		w.Due = b.wallAt(d.Due)
	}
	return w
}

// waitsFor says in a few words what an open delivery waits for.
func (b *Bridge) waitsFor(d *queue.Delivery) string {
	switch d.State {
	case queue.Held:
		return because(heldUntil(d.To), d.Error)
	case queue.Parked:
		if d.Error != "" {
			return "held for the operator: " + d.Error
		}
		return "held by the operator"
	case queue.Local:
		return d.To + " is on the same mesh, its own acknowledgement is awaited"
	case queue.Passed:
		return d.Gateway + " has it, its end-to-end receipt is awaited"
	case queue.Shadow:
		return "another gateway of the mesh should have it in hand"
	case queue.Gathering:
		return "the other parts of its text"
	}
	stop := b.whyShut(d.Link)
	switch {
	case stop != "":
		return because(stop, d.Error)
	case d.State == queue.Later && d.Error != "" && d.Attempts == 0: // a notice whose turn has not come
		return d.Error
	case d.State == queue.Later && d.Error != "":
		return "tried: " + d.Error
	case d.State == queue.Later && d.Gateway != "":
		return "sent, the receipt of " + d.Gateway + " is awaited"
	case d.State == queue.Later:
		return "sent, the acknowledgement of " + d.To + " is awaited"
	}
	return "its turn"
}

func because(what, why string) string {
	if why == "" {
		return what
	}
	return what + " (" + why + ")"
}

// whyShut says why nothing can go out on a link now; empty: it can.
func (b *Bridge) whyShut(name string) string {
	ln := b.byName[name]
	switch {
	case ln == nil:
		return "there is no link " + name + " in the settings"
	case b.control.isQuiet(name):
		return name + " is quiet"
	case !ln.up.Load():
		return name + " is down"
	case !ln.transmits():
		return "another gateway transmits for the mesh of " + name
	}
	return ""
}

// Results in the log that are no outcome of a record.
const (
	resultOpen    = "open"
	resultRefused = "refused"
)

// line is a record as a line of the station log.
func (b *Bridge) line(r *queue.Record, steps bool) desk.Line {
	l := desk.Line{Head: b.head(r), Result: string(r.Outcome)}
	if r.About != 0 {
		l.About = b.id(r.About)
	}
	var last queue.Stamp
	for i := range r.Deliveries {
		l.Ways = append(l.Ways, b.way(&r.Deliveries[i]))
		if end := r.Deliveries[i].Ended; end.Age >= last.Age {
			last = end
		}
	}
	switch {
	case r.Open():
		l.Result, l.Why = resultOpen, openWhy(l.Ways)
	default:
		l.Ended, l.Why = moment(last), b.closedWhy(r)
		took := last.Age.Sub(r.Accepted.Age).Seconds()
		l.Seconds = &took
	}
	if steps {
		l.Steps = storySteps(r)
	}
	return l
}

// openWhy is what the first open way waits for.
func openWhy(ways []desk.Way) string {
	for _, w := range ways {
		if queue.State(w.State).Open() {
			return w.Why
		}
	}
	return ""
}

// closedWhy says why a finished message, or one of its ways, did not arrive.
func (b *Bridge) closedWhy(r *queue.Record) string {
	switch r.Outcome {
	case queue.Failed, queue.Expired, queue.Dropped:
		why := failedWhy(r)
		switch {
		case why != string(r.Outcome):
			return why
		case len(r.Deliveries) == 0:
			return ""
		case r.Outcome == queue.Expired && !r.Deliveries[0].Begun:
			return because("never sent", r.Deliveries[0].Error)
		}
		return r.Deliveries[0].Error
	}
	for i := range r.Deliveries {
		if d := &r.Deliveries[i]; d.State == queue.Failed || d.State == queue.Expired || d.State == queue.Dropped {
			return because(fmt.Sprintf("%s on %s", d.State, d.Link), d.Error)
		}
	}
	return ""
}

func storySteps(r *queue.Record) []desk.Step {
	var out []desk.Step
	for _, s := range r.History {
		out = append(out, desk.Step{At: moment(s.At), What: s.What, Link: s.Link, Note: s.Note})
	}
	return out
}

// story is everything that is known about a record.
func (b *Bridge) story(r *queue.Record) desk.Story {
	m := &r.Message
	s := desk.Story{
		Line: b.line(r, true), Filed: m.Filed, Written: m.Written, OriginID: m.OriginID,
		SNR: m.SNR, RSSI: m.RSSI, Hops: m.Hops, Receipted: r.Receipted != 0,
	}
	if r.Open() {
		s.Expires = b.wallAt(r.Until)
	}
	return s
}
