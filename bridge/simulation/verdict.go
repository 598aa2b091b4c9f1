package simulation

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/message"
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
		f := &j.files[i]
		j.notLost(f)
		if l.w.plan.ring {
			j.noStorm(f)
			continue
		}
		if l.w.plan.calm {
			j.calmly(f)
		}
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

// notLost is invariant 1: what was confirmed is delivered, or its writer was told.
func (j *judge) notLost(f *file) {
	takes := f.find(taken)
	if len(takes) == 0 {
		return
	}
	j.counts["taken"]++
	switch {
	case j.isBlocked(f):
		j.counts["blocked by an operator"]++
	case j.isForgotten(f):
		j.counts["taken after the backup that a gateway went on with"]++
	case len(f.find(lostRecord)) > 0:
		j.counts["lost with a page"]++
	case f.group:
		if len(f.find(passed))+len(f.find(transmitted)) == 0 {
			j.fault(1, "%v to a group was taken by %s and went nowhere", f, takes[0].gateway)
		}
	case f.arrived(got, ever):
		j.counts["delivered"]++
	case f.told() && f.mail && f.to != nobody && j.changed(f.entries[0].at, f.entries[0].at+lifetime):
		j.counts["told although mail could go, after a change of transmitter"]++
	case f.mail && f.to != nobody && !j.airless(f):
		j.fault(1, "%v was taken by %s at %.1f s; the mail server is there, and never got it", f, takes[0].gateway, takes[0].at.Seconds())
	case f.told():
		j.counts["told"]++
	case j.anotherWasAcked(f):
		j.counts["another text under its id was acknowledged"]++
	case f.trusted() && j.hasReceipt(f, f.find(misled)[0].at):
		j.counts["lost on the word of a liar"]++
	case j.airless(f):
		j.counts["not told for want of airtime"]++
	default:
		j.unnamed[f.from] = append(j.unnamed[f.from], f)
	}
	if f.id != "" && !f.group && !message.IsMail(f.from) && j.confirmed(f) && !j.isForgotten(f) && len(f.find(lostRecord)) == 0 && !j.hasReceipt(f, f.firstAcked()) && len(f.find(noticed)) == 0 && !j.airless(f) && !j.isBlocked(f) {
		j.fault(1, "%v was acknowledged, and its writer never heard of it", f)
	}
}

// confirmed tells whether one gateway sent the letter, and knows that all of it
// was acknowledged.
func (j *judge) confirmed(f *file) bool {
	for _, e := range f.find(mailed) {
		if !j.troubled(e.gateway, e.at, e.at+lateMark, crashed, unanswered) {
			return true
		}
	}
	have, want := map[string]bool{}, map[string]int{}
	for _, e := range f.find(transmitted) {
		want[e.gateway] = e.parts
		for _, a := range f.find(ackTaken) {
			if a.gateway == e.gateway && a.station == e.station && a.frame == e.frame && a.at > e.at && !have[e.gateway+e.frame] {
				have[e.gateway+e.frame] = true
				want[e.gateway+" has"]++
			}
		}
	}
	for g, n := range want {
		if n > 0 && want[g+" has"] == n {
			return true
		}
	}
	return false
}

// airless tells whether the writer's mesh has so little airtime that not all of it
// may go out in time.
func (j *judge) airless(f *file) bool {
	home := j.l.w.plan.meshOf(f.from)
	for _, m := range j.l.w.plan.meshes {
		if m.name == home && m.radio != nil {
			return true
		}
	}
	return false
}

// told tells whether the writer heard that it failed.
func (f *file) told() bool {
	for _, e := range f.find(noticed) {
		if e.station == f.from && !strings.HasPrefix(e.text, "held:") {
			return true
		}
	}
	return false
}

var andOthers = regexp.MustCompile(`\b(\d+) others?\.`)

// toldTogether has writers told of those failures that no notice names: a notice to
// somebody who had many says how many more there are.
func (j *judge) toldTogether() {
	others := map[string]int{}
	for _, e := range j.l.all {
		if m := andOthers.FindStringSubmatch(e.text); e.what == noticed && m != nil {
			n, _ := strconv.Atoi(m[1])
			others[e.station] += n
		}
	}
	for _, writer := range slices.Sorted(maps.Keys(j.unnamed)) {
		files := j.unnamed[writer]
		if len(files) <= others[writer] {
			j.counts["told together"] += len(files)
			continue
		}
		for _, f := range files {
			take := f.find(taken)[0]
			j.fault(1, "%v was taken by %s at %.1f s; it was not delivered and its writer was not told (%d others were)", f, take.gateway, take.at.Seconds(), others[writer])
		}
	}
}

// receipts is the other half of invariant 1: nobody is acknowledged for who has
// not acknowledged.
func (j *judge) receipts() {
	for _, e := range j.l.all {
		if e.what != receipted {
			continue
		}
		j.counts["receipts"]++
		honest := false
		for i := range j.files {
			f := &j.files[i]
			honest = honest || f.from == e.station && f.id == e.frame && f.to == e.to && (f.arrived(acks, e.at) || f.trusted() && f.find(misled)[0].at < e.at)
		}
		if !honest {
			j.fault(1, "%s gave %s a receipt for [%s] in the name of %s, who had acknowledged nothing (%.1f s)", e.gateway, e.station, e.frame, e.to, e.at.Seconds())
		}
	}
}

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
	if f.id == "" && b.at-f.entries[0].at > sameWithoutID && j.changed(f.entries[0].at, b.at) {
		return "no id, and two gateways had it"
	}
	if j.l.w.plan.old != "" && f.sentAsOld(a) != f.sentAsOld(b) {
		return "two gateways have two normalisers"
	}
	if j.takenAnew(f, b.gateway) {
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
		if j.changedAmong(j.whoMayTransmit(a, b), a.at, b.at) {
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
		cameNot := e.mesh != a.mesh || b.at-e.at < onTheWay || j.troubled(a.gateway, e.at, b.at, crashed, stopped, linkDown, badDisk)
		cameNot = cameNot || slices.ContainsFunc(j.l.all, func(x entry) bool {
			return x.what == ackLost && x.gateway == a.gateway && x.station == e.station && x.frame == e.frame && x.at >= e.at && x.at < e.at+time.Second
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

// markedBy is when it is on disk at the latest that something was sent. While a
// store beyond a network is away, that waits.
func (j *judge) markedBy(sent entry) time.Duration {
	late := sent.at + lateMark
	for _, e := range j.l.all {
		if j.l.w.plan.remote && e.what == badDisk && e.gateway == sent.gateway && e.at <= late && e.until >= sent.at {
			late = max(late, e.until+lateMark)
		}
	}
	return late
}

// excuseRoaming is for what went through another gateway in between, while who
// transmits changed.
func (j *judge) excuseRoaming(f *file, a, b entry) string {
	for _, e := range f.find(passed) {
		switch {
		case e.gateway != a.gateway || e.at < a.at || e.at > b.at:
		case j.changed(f.entries[0].at, b.at):
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

// changedAmong is changed for some gateways.
func (j *judge) changedAmong(gateways []string, from, to time.Duration) bool {
	return slices.ContainsFunc(gateways, func(g string) bool {
		return j.troubled(g, from-changeOver, to, crashed, stopped, severed, linkDown, quieted) || j.troubled(g, from-changeOver-standsBack, to, badDisk)
	})
}

// changed tells whether the gateways of a mesh may have disagreed in a time on who
// transmits, or whether one of them had another of these troubles.
func (j *judge) changed(from, to time.Duration, words ...word) bool {
	if len(words) == 0 {
		words = []word{crashed, stopped, severed, linkDown}
	}
	for _, g := range j.l.w.gateways {
		if j.troubled(g.call, from-changeOver, to, words...) {
			return true
		}
	}
	return false
}

// takenAnew tells whether a gateway had a text without an id once more so late that
// it could not know it again: from another one, say, whose disk had failed.
func (j *judge) takenAnew(f *file, gateway string) bool {
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
			return true
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
		key := fmt.Sprint(e.gateway, e.mesh, e.station, e.part, e.parts)
		if j.l.w.plan.old != "" {
			key += fmt.Sprint(f.sentAsOld(e))
		}
		if old, ok := ids[key]; ok && old != e.frame {
			j.fault(2, "%v went to %s by %s as %s and again as %s", f, e.station, e.gateway, old, e.frame)
		}
		ids[key] = e.frame
	}
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
	for _, e := range f.find(transmitted) {
		for _, w := range written {
			if w.mesh != written[0].mesh {
				return // it roamed, and said it here and there
			}
		}
		if len(written) > 0 && e.mesh == written[0].mesh {
			j.fault(4, "%v went out on %s, where it was written, by %s", f, e.mesh, e.gateway)
		}
	}
}

// begun is when the letter was written that an entry is about.
func (j *judge) begun(e entry) time.Duration {
	if e.letter == 0 {
		return e.at - time.Hour // the second part of a notice
	}
	return j.files[e.letter-1].entries[0].at
}

// notTooEarly is invariant 6: no clock ends a lifetime before it is over.
func (j *judge) notTooEarly(f *file) {
	takes := f.find(taken)
	if len(takes) == 0 {
		return
	}
	for _, e := range f.find(noticed) {
		early := e.at < takes[0].at+lifetime-j.tolerance()
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

var aboutNotice = regexp.MustCompile(`"(held:|not delivered|not taken)`)

// notices checks the word to writers: never about a notice, never to a gateway or
// group, not twice, not too many.
func (j *judge) notices() {
	type key struct{ gateway, station, text string }
	last, hour, times := map[key]time.Duration{}, map[key][]time.Duration{}, map[key]int{}
	for _, e := range j.l.all {
		if e.what != noticed {
			continue
		}
		j.counts["notices"]++
		switch {
		case aboutNotice.MatchString(e.text):
			j.fault(1, "%s sent a notice about a notice: %s", e.gateway, e.text)
		case j.l.w.gateway(e.station) != nil || j.l.w.groups[e.station]:
			j.fault(1, "%s sent a notice to %s", e.gateway, e.station)
		}
		k := key{e.gateway, e.station, e.text}
		if e.part <= 1 {
			times[k]++
		}
		// What was encrypted is not quoted: two such texts are told in the same words.
		another := !strings.Contains(e.text, `"`) && times[k] <= j.encryptedBy(e.station)
		another = another || j.l.w.plan.old != "" && e.letter > 0 && times[k] <= 2 && strings.Contains(j.files[e.letter-1].text, " at ") // two normalisers, two texts
		another = another || e.parts > 1 && number(e.text) == 0                                                                          // the second part says of what
		another = another || e.letter > 0 && (j.takenAnew(&j.files[e.letter-1], e.gateway) || times[k] <= 2 && j.files[e.letter-1].cameBack())
		if at, ok := last[k]; ok && e.part <= 1 && !another && !j.troubled(e.gateway, at, at+lateMark, crashed) && !j.changed(j.begun(e), e.at) && !j.changed(j.begun(e)-standsBack, e.at, badDisk) && !j.troubled(e.gateway, at, e.at, unanswered, broken) {
			j.fault(2, "%s told %s twice: %s", e.gateway, e.station, e.text)
		}
		last[k] = e.at
		k.text = ""
		hour[k] = append(hour[k], e.at)
	}
	for k, at := range hour {
		if message.IsMail(k.station) {
			continue // mail says what was delivered, too
		}
		for i := noticesAnHour; i < len(at); i++ {
			if at[i]-at[i-noticesAnHour] < time.Hour && !j.troubled(k.gateway, at[i]-time.Hour, at[i], crashed, stopped) {
				j.counts["more than six notices an hour"]++
			}
		}
	}
}

// cameBack tells whether two gateways handed a letter to each other: then both tell its
// writer, since among three each might leave it to the next.
func (f *file) cameBack() bool {
	sent := f.find(passed)
	return slices.ContainsFunc(sent, func(a entry) bool {
		return slices.ContainsFunc(sent, func(b entry) bool { return a.to == b.gateway && b.to == a.gateway })
	})
}

func (j *judge) encryptedBy(station string) (n int) {
	for _, l := range j.l.letters {
		if l.encrypted && l.from == station {
			n++
		}
	}
	return n
}

// order checks that a try which fails lets nobody behind it pass.
func (j *judge) order() {
	for a := range j.files {
		for _, no := range j.files[a].find(rejected) {
			j.orderBehind(&j.files[a], no)
		}
	}
}

func (j *judge) orderBehind(first *file, no entry) {
	at, tries := first.begunAt(no)
	if tries >= holdsLane || at < no.at {
		return
	}
	accepted := first.acceptedAt(no.gateway)
	for i := range j.files {
		f := &j.files[i]
		if f == first || f.from != first.from || f.to != first.to || urgency(f.text) != urgency(first.text) || f.acceptedAt(no.gateway) < accepted {
			continue
		}
		if behind, _ := f.begunAt(no); behind > no.at && behind < at && at != ever && !first.left(no.gateway, behind) {
			j.fault(2, "%v went out by %s at %.1f s, before %v, which was taken before it and had failed %d times", f, no.gateway, behind.Seconds(), first, tries)
		}
	}
}

// begunAt is when a letter first went out where another one was rejected, and how
// often it was rejected before.
func (f *file) begunAt(no entry) (at time.Duration, tries int) {
	for _, e := range f.entries {
		switch {
		case e.gateway != no.gateway || e.mesh != no.mesh:
		case e.what == rejected:
			tries++
		case e.what == transmitted || e.what == mailed:
			return e.at, tries
		}
	}
	return ever, tries
}

// left tells whether a gateway had handed a letter to another one by then: it is in no
// lane there any more.
func (f *file) left(gateway string, by time.Duration) bool {
	return slices.ContainsFunc(f.find(passed), func(e entry) bool { return e.gateway == gateway && e.at <= by })
}

func (f *file) acceptedAt(gateway string) time.Duration {
	for _, e := range f.entries {
		if e.gateway == gateway && (e.what == taken || e.what == takenFar) {
			return e.at
		}
	}
	return ever
}

func urgency(text string) string {
	word, _, _ := strings.Cut(text, " ")
	if strings.HasPrefix(word, "nr") {
		return ""
	}
	return word
}

func (p *plan) meshOf(station string) string {
	for _, s := range p.stations {
		if s.call == station {
			return s.mesh
		}
	}
	return ""
}
