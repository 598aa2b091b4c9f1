package simulation

import (
	"slices"
	"strings"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// conduct checks what a gateway may do and must not leave undone, beside what
// becomes of a letter.
func (j *judge) conduct() {
	for i := range j.files {
		f := &j.files[i]
		j.marked(f)
		j.noThirdParty(f)
		j.notBlocked(f)
		j.toTheLiving(f)
		j.triedWhenHeard(f)
		j.notDenied(f)
		j.notThrown(f)
	}
}

// outside lists what left a gateway for a station, a group or a mailbox.
func (f *file) outside() []entry { return append(f.find(transmitted), f.find(mailed)...) }

// marked is invariant 3: exercise traffic says so, first and last in each part.
func (j *judge) marked(f *file) {
	const mark = "EXERCISE"
	if j.l.w.plan.exercise == "" {
		return
	}
	for _, e := range f.outside() {
		j.counts["exercise traffic"]++
		if strings.Count(e.text, mark) < 2 || !strings.HasSuffix(e.text, mark) {
			j.fault(3, "%v left %s in an exercise without its marks: %q", f, e.gateway, e.text)
		}
	}
}

// noThirdParty is invariant 3: nobody transmits for people without a call sign on
// APRS.
func (j *judge) noThirdParty(f *file) {
	for _, e := range f.find(transmitted) {
		if e.mesh == aprsNet && message.IsMail(f.from) && f.licence == "" {
			j.fault(3, "%v went out on APRS by %s, and its writer has no call sign", f, e.gateway)
		}
	}
}

// notBlocked is invariant 3: once an operator has blocked somebody, nothing from
// him or for him leaves, a restart included.
func (j *judge) notBlocked(f *file) {
	for _, b := range j.l.all {
		if b.what != blocked || b.station != f.from && b.station != f.to || j.forgot(b) {
			continue
		}
		for _, e := range f.outside() {
			other := f.answers && b.station != f.from && b.station != e.station // another gateway answers another one
			if e.gateway == b.gateway && e.at > b.at+time.Second && !other {
				j.fault(3, "%v left %s at %.1f s, and its operator had blocked %s %.1f s before", f, e.gateway, e.at.Seconds(), b.station, (e.at - b.at).Seconds())
				return
			}
		}
	}
}

// isBlocked tells whether an operator blocked the writer of a letter before its lifetime was
// over: then nobody need be told.
func (j *judge) isBlocked(f *file) bool {
	return slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == blocked && e.station == f.from && e.at < f.entries[0].at+mailLifetime && slices.Contains(j.concerned(f), e.gateway)
	})
}

// isUnwanted tells whether an operator blocked the addressee of a letter while it lived: it
// ends then, and its writer is told.
func (j *judge) isUnwanted(f *file) bool {
	return slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == blocked && e.station == f.to && e.at < f.entries[0].at+mailLifetime
	})
}

// answersBlocked tells whether an answer without an address ended since whom it answers was
// blocked: a gateway that had blocked somebody who wrote to its writer refused it for that,
// after all that took it over. Then nobody need be told either.
func (j *judge) answersBlocked(f *file) bool {
	takes := f.find(taken)
	if !f.answers || len(f.outside()) > 0 || len(takes) == 0 {
		return false
	}
	return slices.ContainsFunc(f.find(refused), func(e entry) bool {
		return e.text == link.CodeBlocked && e.at > takes[len(takes)-1].at && slices.ContainsFunc(j.l.all, func(b entry) bool {
			return b.what == blocked && b.gateway == e.gateway && b.at < e.at && j.wroteTo(b.station, f.from, e.at)
		})
	})
}

// wroteTo tells whether somebody's text had been given to a station by then.
func (j *judge) wroteTo(writer, station string, by time.Duration) bool {
	return slices.ContainsFunc(j.l.all, func(e entry) bool {
		return (e.what == transmitted || e.what == acks) && e.letter > 0 && e.station == station && e.at < by && j.files[e.letter-1].from == writer
	})
}

// toTheLiving checks that nothing is handed to a gateway that has been off for so
// long that everybody has to know. Who has just come back, or could write nothing for a
// while, may have got old word of it, and so may who gets late what it wrote before, and has
// not seen yet.
func (j *judge) toTheLiving(f *file) {
	for _, e := range f.find(passed) {
		off, since := j.offSince(e.to, e.at)
		longest := presence.Alive + 15*time.Second
		spoke := slices.ContainsFunc(j.l.all, func(t entry) bool {
			return t.what == takenFar && t.gateway == e.gateway && t.to == e.to && t.at <= e.at && t.at > e.at-longest
		})
		if off && e.at-since > longest && !spoke && !j.troubled(e.gateway, e.at-longest, e.at, started, severed, badDisk, storeAway) {
			j.fault(1, "%v was handed to %s by %s at %.1f s, which had been off for %.1f s", f, e.to, e.gateway, e.at.Seconds(), (e.at - since).Seconds())
			return
		}
	}
}

func (j *judge) offSince(gateway string, at time.Duration) (off bool, since time.Duration) {
	for _, e := range j.l.all {
		if e.gateway != gateway || e.at > at {
			continue
		}
		switch e.what {
		case crashed, stopped:
			if !off {
				off, since = true, e.at
			}
		case started:
			off = false
		}
	}
	return off, since
}

// triedWhenHeard checks that a text which was held goes out when its addressee is
// heard where it waits, in a time without trouble.
func (j *judge) triedWhenHeard(f *file) {
	const longAfter, longBefore = 11 * time.Minute, 3 * time.Minute // as a local text it waits 10 minutes
	takes := f.find(taken)
	if len(takes) == 0 || f.group || f.mail || f.bad != "" || !f.told() || len(f.find(transmitted)) > 0 || j.isBlocked(f) || j.isUnwanted(f) || f.naks {
		return
	}
	for _, h := range j.l.all {
		take := f.heldBy(h.at)
		if h.what != heardOf || h.station != f.to || h.gateway != take.gateway || h.mesh != "air" {
			continue
		}
		if h.at < take.at+longAfter || h.at > takes[0].at+lifetime-longBefore || j.airlessAt(take.gateway) || j.changed(append(j.concerned(f), j.onMeshOf(f.to)...), takes[0].at, h.at+longBefore) || f.trustedBy(take.gateway, h.at) {
			continue
		}
		j.fault(1, "%v waited at %s, which heard %s at %.1f s; it was never tried", f, take.gateway, f.to, h.at.Seconds())
		return
	}
}

// heldBy is the entry of the gateway at which a letter waits then: who took it first, or to
// whom it was handed over last.
func (f *file) heldBy(then time.Duration) entry {
	take := f.find(taken)[0]
	for _, e := range f.find(takenFar) {
		if e.at < then {
			take = e
		}
	}
	return take
}

// notThrown checks that no text is handed on until that has been too often: where
// stations roam a few times, gateways need not come to that.
func (j *judge) notThrown(f *file) {
	for _, e := range f.find(noticed) {
		if strings.Contains(e.text, "handed on too often") {
			j.fault(4, "%v was thrown to and fro: %s", f, e.text)
			return
		}
	}
}

// notDenied checks that nobody is told "not delivered" of a mail that the mail
// server has taken, where the gateway has had its answer and time to file it.
func (j *judge) notDenied(f *file) {
	for _, m := range f.find(mailed) {
		if j.forgot(m) || j.troubled(m.gateway, m.at, j.markedBy(m), crashed) || len(f.find(unanswered)) > 0 || j.changed(j.concerned(f), f.entries[0].at, m.at) {
			continue
		}
		for _, e := range f.find(noticed) {
			dropped := strings.Contains(e.text, ": dropped by the operator.")     // who could not know it
			late := f.answers && j.changed(j.concerned(f), f.entries[0].at, e.at) // by the next transmitter, which does not know whom it answers
			if e.station == f.from && e.at > m.at && strings.Contains(e.text, "not delivered") && !dropped && !late {
				j.fault(1, "%v was mailed by %s at %.1f s, and its writer was told: %s", f, m.gateway, m.at.Seconds(), e.text)
				return
			}
		}
	}
}

// airlessAt tells whether a gateway's mesh has so little airtime that not all may
// go out in time.
func (j *judge) airlessAt(gateway string) bool {
	for _, g := range j.l.w.plan.gateways {
		for _, m := range j.l.w.plan.meshes {
			if g.call == gateway && g.mesh == m.name && m.radio != nil {
				return true
			}
		}
	}
	return false
}
