package simulation

import (
	"fmt"
	"slices"
	"time"
)

// notTwice is invariants 2 and 4: nobody gets a letter twice, and two gateways of
// a mesh do not both transmit it, but for the windows that no protocol can close.
func (j *judge) notTwice(f *file) {
	sent := append(f.find(transmitted), f.find(mailed)...)
	for i, b := range sent {
		for _, a := range sent[:i] {
			if a.mesh != b.mesh || a.station != b.station || a.part != b.part {
				continue
			}
			why := j.excuse(f, a, b)
			if why == "" {
				j.fault(2, "%v, part %d, went to %s at %.1f s by %s and again at %.1f s by %s", f, a.part, a.station, a.at.Seconds(), a.gateway, b.at.Seconds(), b.gateway)
				continue
			}
			j.counts["again: "+why]++
		}
	}
}

// excuse says why a second transmission is none of those that must not be; empty
// if there is no excuse.
func (j *judge) excuse(f *file, a, b entry) string {
	if f.id == "" && b.at-f.entries[0].at > sameWithoutID && j.changed(j.concerned(f), f.entries[0].at, b.at) {
		return "no id, and two gateways had it"
	}
	if j.l.w.plan.old != "" && f.sentAsOld(a) != f.sentAsOld(b) {
		return "two gateways have two normalisers"
	}
	if j.takenAnew(f, b.gateway, b.at) {
		return "no id, and it came again late"
	}
	if slices.ContainsFunc(f.find(replayed), func(e entry) bool { return e.at > a.at && e.at < b.at }) {
		return "replayed to a gateway that never had it, and its sender had no clock"
	}
	if f.id == "" && j.l.w.plan.remote && b.at-f.entries[0].at > sameWithoutID && j.troubled(a.gateway, f.entries[0].at, b.at, badDisk) {
		return "no id, and nobody knew whether it was stored"
	}
	if j.forgot(a) && j.forgot(f.firstAt(a.gateway)) {
		return "taken after the backup that its gateway went on with, and again"
	}
	if a.gateway != b.gateway {
		if a.what == mailed && j.l.w.gateway(a.gateway).mesh != j.l.w.gateway(b.gateway).mesh && f.onTwoMeshes(b.at) {
			return "two meshes heard it, and each has another way to mail"
		}
		if j.changed(j.whoMayTransmit(a, b), a.at, b.at) {
			return "change of transmitter"
		}
		return ""
	}
	if j.troubled(a.gateway, a.at, j.markedBy(a), crashed) {
		return "crash between sending and its receipt"
	}
	if a.what == mailed {
		for _, e := range f.find(unanswered) {
			if e.gateway == a.gateway && e.at >= a.at && e.at <= b.at {
				return "answer lost"
			}
		}
		return ""
	}
	if f.group {
		return ""
	}
	for _, e := range f.entries {
		if e.what == ackTaken && e.gateway == a.gateway && e.station == a.station && e.frame == a.frame && e.at > a.at && e.at < b.at {
			return j.excuseRoaming(f, a, b)
		}
	}
	return j.excuseNoAck(f, a, b)
}

// onTheWay is how long an ack takes to its gateway at most.
const onTheWay = 5 * time.Second

// excuseNoAck is for what goes out again since its ack did not come: the station gave
// none, and had the time for it; or each that it gave was lost, or is on its way.
func (j *judge) excuseNoAck(f *file, a, b entry) string {
	given := false
	for _, e := range f.find(acks) {
		if e.station != a.station || e.frame != a.frame || e.at < a.at || e.at > b.at {
			continue
		}
		given = true
		cameNot := e.mesh != a.mesh || b.at-e.at < onTheWay || j.troubled(a.gateway, a.at, e.at+onTheWay, crashed, stopped, linkDown, badDisk)
		cameNot = cameNot || slices.ContainsFunc(j.l.all, func(x entry) bool {
			return x.what == missed && x.gateway == a.gateway && x.station == e.station && x.frame == e.frame && x.at >= e.at && x.at < e.at+time.Second
		})
		if !cameNot {
			return ""
		}
	}
	if given {
		return "ack lost"
	}
	if b.at-a.at < ackWait && !slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == heardOf && e.station == a.station && e.at > a.at && e.at <= b.at
	}) {
		return ""
	}
	return "not acknowledged"
}

// onTwoMeshes tells whether a roaming writer was heard on two meshes before a time.
func (f *file) onTwoMeshes(before time.Duration) bool {
	meshes := map[string]bool{}
	for _, e := range f.find(taken) {
		if e.at < before {
			meshes[f.l.w.gateway(e.gateway).mesh] = true
		}
	}
	return len(meshes) > 1
}

// markedBy is when it is on disk at the latest that something was sent. While a disk fails
// that waits.
func (j *judge) markedBy(sent entry) time.Duration {
	late := sent.at + lateMark
	for _, e := range j.l.all {
		if e.what == badDisk && e.gateway == sent.gateway && e.at <= late && e.until >= sent.at {
			late = max(late, e.until+lateMark)
		}
	}
	return late
}

// excuseRoaming is for what went through another gateway in between, or was to, while who
// transmits changed.
func (j *judge) excuseRoaming(f *file, a, b entry) string {
	if j.l.w.plan.calm && j.troubled(a.gateway, a.at, b.at, linkDown) {
		return "meant for another gateway before all of it was acknowledged"
	}
	for _, e := range f.find(passed) {
		switch {
		case e.gateway != a.gateway || e.at < a.at || e.at > b.at:
		case j.changed(j.concerned(f), f.entries[0].at, b.at):
			return "handed over and back"
		case j.l.w.plan.calm && a.parts > 1:
			return "handed over and back before all its parts were acknowledged"
		}
	}
	return ""
}

// whoMayTransmit are the gateways of the mesh on which a letter went out twice; of a
// mail, which has none, those of the meshes of both that mailed it.
func (j *judge) whoMayTransmit(a, b entry) (out []string) {
	for _, g := range j.l.w.gateways {
		if g.mesh == a.mesh || a.what == mailed && (g.mesh == j.l.w.gateway(a.gateway).mesh || g.mesh == j.l.w.gateway(b.gateway).mesh) {
			out = append(out, g.call)
		}
	}
	return out
}

// takenAnew tells whether a gateway had a text without an id once more by then, so late
// that it could not know it again: from another one, say, whose disk had failed.
func (j *judge) takenAnew(f *file, gateway string, before time.Duration) bool {
	if f.id != "" {
		return false
	}
	first := time.Duration(-1)
	for _, e := range f.entries {
		switch {
		case e.gateway != gateway || e.what != taken && e.what != takenFar:
		case first < 0:
			first = e.at
		case e.at-first > sameWithoutID:
			return e.at <= before
		}
	}
	return false
}

// sameFrame is invariant 2: by the same frame id a station knows a repetition.
func (j *judge) sameFrame(f *file) {
	if f.id == "" {
		return // two gateways may have it as two, and the second then gets another id
	}
	ids := map[string]string{}
	for _, e := range f.find(transmitted) {
		key := fmt.Sprint(e.mesh, e.station, e.part, e.parts)
		if j.l.w.plan.old != "" {
			key += fmt.Sprint(f.sentAsOld(e))
		}
		if old, ok := ids[key]; ok && old != e.frame {
			j.fault(2, "%v went to %s by %s as %s and again as %s", f, e.station, e.gateway, old, e.frame)
		}
		ids[key] = e.frame
	}
}
