package adaptertest

import (
	"context"
	"errors"

	"posthouse/bridge/link"
)

// cut takes the far side away and waits until the link has noticed.
func (r *rig) cut() {
	r.Helper()
	r.peer.Cut()
	if r.kit.Connected {
		r.await("the link reports that it is down", func() bool { return !r.host.Up() })
	}
}

// mend brings the far side back and waits until the link has noticed.
func (r *rig) mend() {
	r.Helper()
	r.peer.Mend()
	r.up()
}

func downAndUpAgain(r *rig) {
	r.need(r.peer.Cut != nil, "far side that can go away")
	r.run()
	r.sends("before")
	r.cut()
	if r.kit.Connected && !explained(r.host.States()) {
		r.Errorf("states %+v: the last one does not say why the link is down", r.host.States())
	}
	r.until("Send says that the link is down", func() bool {
		err := r.send("in between")
		if err == nil {
			r.Fatal("a frame was sent to a far side that is away")
		}
		if _, ok := errors.AsType[*link.PermanentError](err); ok {
			r.Fatalf("Send to a far side that is away: %v, want link.ErrDown", err)
		}
		return errors.Is(err, link.ErrDown)
	})
	r.mend()
	r.until("a text went out", func() bool { return r.send("after") == nil })
	r.hearsAtLast("after")
	r.worksBothWays()
}

func explained(states []State) bool { return len(states) > 0 && states[len(states)-1].Why != "" }

func cutDuringAccept(r *rig) {
	r.need(r.peer.Cut != nil, "far side that can go away")
	release := r.host.Block()
	r.run()
	answers := r.say("in the middle")
	r.offered("in the middle", 1)
	r.cut()
	release()
	r.mend()
	switch {
	case r.kit.Repeats:
		r.taken(answers)
	default:
		r.until("the text was kept", func() bool {
			r.repeat("in the middle")
			return count(r.host.Kept(), "in the middle") > 0
		})
	}
	r.kept("in the middle")
	r.worksBothWays()
}

func cutDuringSend(r *rig) {
	r.need(r.peer.Cut != nil && r.peer.Stall != nil, "far side that can go away in the middle")
	r.run()
	r.peer.Stall()
	result := r.sendAside(context.Background(), "in the middle")
	r.cut()
	err := r.inTime(result)
	if _, ok := errors.AsType[*link.PermanentError](err); err == nil || ok {
		r.Errorf("Send gave %v, want link.ErrDown or a temporary error", err)
	}
	r.mend()
	r.worksBothWays()
}

func cancelledRun(r *rig) {
	defer r.host.Block()()
	r.run()
	answers := r.say("cut short")
	r.offered("cut short", 1)
	r.stop()
	r.unanswered(answers, Later)
	if n := len(r.host.Kept()); n > 0 {
		r.Errorf("%d messages were taken over by an accept that was cancelled", n)
	}
	if err := r.send("too late"); !errors.Is(err, link.ErrDown) {
		r.Errorf("Send after Run: %v, want link.ErrDown", err)
	}
}
