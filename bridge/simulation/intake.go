package simulation

import (
	"context"
	"errors"
	"slices"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// intake takes what comes in by the wire, as the trunk's adapter does.
type intake struct {
	e       *end
	host    link.TrunkHost
	windows map[string]envelope.Window // by gateway, as on disk
}

// run takes one event after the other.
func (in *intake) run(ctx context.Context) {
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
			return
		case ev := <-in.e.in:
			in.e.wire.w.turns.take("event", in.e.call, ev.kind, ev.from)
			if ctx.Err() == nil {
				in.take(ctx, ev)
			}
		}
	}
}

func (in *intake) take(ctx context.Context, ev event) {
	e, host := in.e, in.host
	switch ev.kind {
	case "presence":
		host.Present(ev.say, false)
	case "heard":
		e.tell(host, ev.heard)
	case "taken":
		host.TakenBy(ev.taken)
	default:
		if ev.group == "" || slices.Contains(e.groups, ev.group) && !slices.Contains(ev.m.Hops, e.call) {
			in.accept(ctx, ev)
		}
	}
}

// accept takes over an event that was not taken before, together with the window
// that says so, and then gives the custody receipt.
func (in *intake) accept(ctx context.Context, ev event) {
	e := in.e
	if _, sure := e.l.clock.Wall(); sure && !ev.until.IsZero() && time.Now().After(ev.until) {
		return
	}
	w, err := in.window(ctx, ev.from)
	if err != nil || w.Take(ev.number) != nil {
		return
	}
	if ev.inbox != "" {
		in.host.Spoke(ev.from)
	}
	b, _ := w.MarshalBinary() // cannot fail
	verdicts, err := in.host.AcceptMarked(ctx, map[string][]byte{"window/" + ev.from: b}, ev.m)
	if err != nil {
		if e.l.dark.Load() || errors.Is(err, context.Canceled) {
			e.wire.unconfirmed(e.call, ev)
		} else {
			e.wire.w.after(2*time.Second, func() { e.wire.arrive(e.call, ev) }, "reconnect", e.call)
		}
		return
	}
	in.windows[ev.from] = w
	if !e.l.dark.Load() {
		e.wire.w.ledger.answered(e.call, "far", &ev.m, verdicts[0])
	}
	if ev.inbox == "" || ev.kind == "custody" || !verdicts[0].Kept || e.hushed.Load() {
		return
	}
	key := ev.from + " " + ev.m.TrunkID
	if last, ok := e.gave[key]; ok && time.Since(last) < 29*time.Second {
		return
	}
	e.gave[key] = time.Now()
	if !e.l.dark.Load() {
		e.wire.w.ledger.custody(e.call, &ev.m)
	}
	e.publish(event{kind: "custody", inbox: ev.from, m: message.Message{Kind: message.Custody, From: e.call, Via: e.call, Acks: ev.m.TrunkID, Handed: true}})
}

// window is what of a gateway's numbers was taken, as far as it is on disk.
func (in *intake) window(ctx context.Context, from string) (envelope.Window, error) {
	if w, ok := in.windows[from]; ok {
		return w, nil
	}
	var w envelope.Window
	b, err := in.host.Mark(ctx, "window/"+from)
	if err == nil && b != nil {
		err = w.UnmarshalBinary(b)
	}
	return w, err
}
