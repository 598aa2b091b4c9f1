package adaptertest

import "errors"

var errDisk = errors.New("the disk is full")

func confirmsOnlyAfterAccept(r *rig) {
	r.need(r.kit.Confirms, "confirmation")
	release := r.host.Block()
	r.run()
	answers := r.say("wait for me")
	r.offered("wait for me", 1)
	r.unanswered(answers)
	release()
	r.answer(answers, Taken)
	r.kept("wait for me")
}

func failedAcceptIsNotConfirmed(r *rig) {
	r.host.FailNext(errDisk)
	r.run()
	answers := r.say("no room")
	r.offered("no room", 1)
	switch {
	case r.kit.SaysNo:
		r.answer(answers, Later)
	case !r.kit.Repeats:
		r.unanswered(answers)
	}
	if !r.kit.Repeats {
		answers = r.repeat("no room")
	}
	r.kept("no room")
	r.taken(answers)
}

func refusedIsFinal(r *rig) {
	r.run()
	r.host.Refuse("blocked", "N0QRA is blocked here")
	answers := r.say("not me")
	switch {
	case r.kit.SaysNo:
		r.answer(answers, Refused)
	case r.kit.Confirms:
		r.answer(answers, Taken)
	default:
		r.offered("not me", 1)
	}
	r.host.Refuse("", "")
	if r.peer.Cut != nil {
		r.worksBothWays() // so the answer has come to where it goes
		r.cut()
		r.mend()
	}
	r.worksBothWays()
	if n := count(r.host.Offered(), "not me"); n > 1 {
		r.Errorf("the refused message was offered %d times, want once at most", n)
	}
	if n := count(r.host.Kept(), "not me"); n > 0 {
		r.Error("the refused message was taken over later")
	}
}

func sameMessageTwice(r *rig) {
	r.run()
	r.taken(r.say("twice"))
	r.taken(r.repeat("twice"))
	r.offered("twice", 2)
}
