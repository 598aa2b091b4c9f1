package simulation

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/link"
)

// What the manual says of times.
const (
	lifetime     = 25 * time.Minute // of plan.settings
	mailLifetime = 40 * time.Minute
	// lateMark is how long word of what was sent may wait for the disk: the window
	// in which a crash has it sent once more.
	lateMark = 8 * time.Second
	// changeOver is how long two gateways of a mesh may disagree on who transmits,
	// after one of them came, went or lost a link.
	changeOver = 3 * time.Minute
	// standsBack is how long after its disk was full a gateway lets another transmit.
	standsBack = 5 * time.Minute
	// sameWithoutID is how long a text without an id counts as the same.
	sameWithoutID = 2 * time.Minute
	// ackWait is how long an ack is waited for at least, before a text goes out again. A
	// gateway counts from when it turns to the text, a moment before that is on its way.
	ackWait        = 15*time.Second - 10*time.Millisecond
	noticesAnHour  = 6
	holdsLane      = 3 // tries that fail, until those behind may pass
	mostHandOvers  = 8
	clockTolerance = 5 * time.Second
)

// file is what the ledger has of one letter.
type file struct {
	*letter
	l       *ledger
	entries []entry
}

// judge compares the ledger with what must always hold. The numbers of the
// invariants are those of DEVELOPERS.md.
func (l *ledger) judge() (faults []string, counts map[string]int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	j := &judge{l: l, counts: map[string]int{}, faults: l.faults, unnamed: map[string][]*file{}}
	for _, e := range l.all {
		if e.letter > 0 && e.letter <= len(l.letters) {
			for len(j.files) < len(l.letters) {
				j.files = append(j.files, file{letter: l.letters[len(j.files)], l: l})
			}
			f := &j.files[e.letter-1]
			f.entries = append(f.entries, e)
		}
	}
	for i := range j.files {
		j.files[i].findAddressee()
	}
	for i := range j.files {
		f := &j.files[i]
		j.notLost(f)
		if l.w.plan.ring {
			j.noStorm(f)
			continue
		}
		if l.w.plan.calm {
			j.calmly(f)
		}
		j.answered(f)
		j.notKnownUnseen(f)
		j.notTwice(f)
		j.sameFrame(f)
		j.notRefused(f)
		j.notWandering(f)
		j.notTooEarly(f)
	}
	j.toldTogether()
	if l.w.plan.ring {
		return j.faults, j.counts // what comes back is another text to who has never had it
	}
	j.conduct()
	j.notFromStrangers()
	j.flooded()
	j.receipts()
	j.quiet()
	j.notices()
	j.order()
	j.air()
	return j.faults, j.counts
}

type judge struct {
	l      *ledger
	files  []file
	faults []string
	counts map[string]int

	unnamed map[string][]*file // by writer: what failed, and no notice names it
}

func (j *judge) fault(rule int, format string, args ...any) {
	j.faults = append(j.faults, fmt.Sprintf("invariant %d: ", rule)+fmt.Sprintf(format, args...))
}

// find lists the entries of one kind.
func (f *file) find(what word) (out []entry) {
	for _, e := range f.entries {
		if e.what == what {
			out = append(out, e)
		}
	}
	return out
}

func (f *file) String() string {
	return fmt.Sprintf("nr%d %s>%s [%s]", f.n, f.from, f.to, f.id)
}

// arrived tells whether its addressee has all of it.
func (f *file) arrived(what word, before time.Duration) bool {
	if f.mail {
		m := f.find(mailed)
		return len(m) > 0 && m[0].at <= before
	}
	parts := map[[2]int]bool{}
	for _, e := range f.find(what) {
		if e.station == f.to && e.at <= before {
			parts[[2]int{e.parts, e.part}] = true
		}
	}
	for k := range parts {
		n := 0
		for part := 1; part <= k[0]; part++ {
			if parts[[2]int{k[0], part}] {
				n++
			}
		}
		if n == k[0] {
			return true
		}
	}
	return false
}

const ever = time.Duration(1 << 62)

// troubled tells whether a gateway crashed in a time.
func (j *judge) troubled(gateway string, from, to time.Duration, words ...word) bool {
	for _, e := range j.l.all {
		if e.gateway != gateway || e.at > to || max(e.at, e.until) < from {
			continue
		}
		for _, w := range words {
			if e.what == w {
				return true
			}
		}
	}
	return false
}

// changed tells whether some gateways may have disagreed in a time on who transmits: one of
// them came, went or lost a link, or took another of them for dead.
func (j *judge) changed(gateways []string, from, to time.Duration) bool {
	return slices.ContainsFunc(gateways, func(g string) bool {
		return j.troubled(g, from-changeOver, to, crashed, stopped, severed, linkDown, quieted) || j.troubled(g, from-changeOver-standsBack, to, badDisk)
	}) || slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == unheard && e.at >= from-changeOver && e.at <= to && slices.Contains(gateways, e.gateway) && slices.Contains(gateways, e.to)
	})
}

// concerned are the gateways through whose hands a letter went, and the others of their
// meshes and of its writer's.
func (j *judge) concerned(f *file) (out []string) {
	meshes := map[string]bool{j.l.w.plan.meshOf(f.from): true}
	for _, e := range f.entries {
		if e.what == said {
			meshes[e.mesh] = true
		}
		for _, call := range []string{e.gateway, e.to} {
			if g := j.l.w.gateway(call); g != nil {
				meshes[g.mesh] = true
			}
		}
	}
	for _, g := range j.l.w.gateways {
		if meshes[g.mesh] || meshes[aprsNet] && g.linkTo(aprsNet) != "" {
			out = append(out, g.call)
		}
	}
	return out
}

// onMeshOf are the gateways of a station's mesh.
func (j *judge) onMeshOf(station string) (out []string) {
	for _, g := range j.l.w.gatewaysOn(j.l.w.plan.meshOf(station)) {
		out = append(out, g.call)
	}
	return out
}

// notRefused is invariant 3: what the rules refuse leaves nowhere.
func (j *judge) notRefused(f *file) {
	if f.bad == "" {
		for _, e := range f.find(refused) {
			j.counts["refused: "+e.text]++
		}
		return
	}
	for _, e := range f.entries {
		switch {
		case e.what == transmitted, e.what == mailed, e.what == passed:
			j.fault(3, "%v left %s although %s", f, e.gateway, f.bad)
		case e.what == taken:
			j.fault(3, "%v was taken by %s although %s", f, e.gateway, f.bad)
		case e.what == noticed && e.station != f.from:
			j.fault(3, "%v was quoted to %s", f, e.station)
		}
	}
}

// quiet is invariant 3: while the operator wants silence nothing leaves, a
// restart included.
func (j *judge) quiet() {
	silent := map[string]time.Duration{}
	for _, e := range j.l.all {
		switch e.what {
		case quieted:
			silent[e.gateway] = e.at
		case restored:
			if at, ok := silent[e.gateway]; ok && at >= e.until { // the backup knows nothing of it
				delete(silent, e.gateway)
			}
		case resumed:
			delete(silent, e.gateway)
		case transmitted, receipted, naked, noticed:
			if at, ok := silent[e.gateway]; ok && e.mesh != "" && e.mesh != aprsNet && e.at > at+time.Second {
				j.fault(3, "%s transmitted on %s at %.1f s, %.1f s after its operator had said quiet", e.gateway, e.mesh, e.at.Seconds(), (e.at - at).Seconds())
			}
		}
	}
}

// notWandering is invariant 4.
func (j *judge) notWandering(f *file) {
	if n := len(f.find(takenFar)); !f.group && n > mostHandOvers {
		j.fault(4, "%v was handed over %d times", f, n)
	}
	if !f.group {
		return
	}
	written := f.find(said)
	if f.roamed() {
		return
	}
	for _, e := range f.find(transmitted) {
		if len(written) > 0 && e.mesh == written[0].mesh {
			j.fault(4, "%v went out on %s, where it was written, by %s", f, e.mesh, e.gateway)
		}
	}
}

// roamed tells whether its writer said it on one mesh, and again on another.
func (f *file) roamed() bool {
	said := f.find(said)
	return slices.ContainsFunc(said, func(e entry) bool { return e.mesh != said[0].mesh })
}

// begun is when the letter was written that an entry is about: of what was encrypted,
// which no notice quotes, the first by who is told.
func (j *judge) begun(e entry) time.Duration {
	if e.letter > 0 {
		return j.files[e.letter-1].entries[0].at
	}
	for i := range j.files {
		if f := &j.files[i]; f.encrypted && f.from == e.station && len(f.entries) > 0 && strings.Contains(e.text, link.CodeLooksEncrypted) {
			return f.entries[0].at
		}
	}
	return e.at - time.Hour // the second part of a notice
}

// notTooEarly is invariant 6: no clock ends a lifetime before it is over.
func (j *judge) notTooEarly(f *file) {
	takes := f.find(taken)
	if len(takes) == 0 {
		return
	}
	begun := takes[0].at
	for _, k := range f.find(known) {
		if f.firstAt(k.gateway).at >= k.at || f.firstAt(k.gateway).what == "" {
			begun = f.entries[0].at // it was on disk there before its gateway could say so
		}
	}
	for _, e := range f.find(noticed) {
		early := e.at < begun+lifetime-j.tolerance()
		if early && (strings.Contains(e.text, ": expired") || strings.Contains(e.text, "not confirmed")) {
			j.fault(6, "%v was taken at %.1f s and called expired at %.1f s: %s", f, takes[0].at.Seconds(), e.at.Seconds(), e.text)
		}
	}
}

// tolerance is how much later a text may be confirmed than its lifetime begins.
func (j *judge) tolerance() time.Duration {
	if j.l.w.plan.remote {
		return clockTolerance + patience + grace
	}
	return clockTolerance
}

func (p *plan) meshOf(station string) string {
	for _, s := range p.stations {
		if s.call == station {
			return s.mesh
		}
	}
	return ""
}
