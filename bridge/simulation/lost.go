package simulation

import (
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/message"
)

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
	case j.answersBlocked(f):
		j.counts["an answer to somebody whom an operator had blocked"]++
	case j.isForgotten(f):
		j.counts["taken after the backup that a gateway went on with"]++
	case len(f.find(lostRecord)) > 0:
		j.counts["lost with a page"]++
	case f.group:
		if len(f.find(passed))+len(f.find(transmitted)) == 0 && !j.droppedWithBackup(takes) {
			j.fault(1, "%v to a group was taken by %s and went nowhere", f, takes[0].gateway)
		}
	case f.arrived(got, ever):
		j.counts["delivered"]++
	case f.told() && j.isStuck(f):
		j.counts["told since a gateway without a clock kept it"]++
	case f.told() && f.mail && f.to != nobody && j.changed(j.concerned(f), f.entries[0].at, f.entries[0].at+lifetime):
		j.counts["told although mail could go, after a change of transmitter"]++
	case f.mail && f.to != nobody && !(j.isStuck(f) && j.toldAmongOthers(f)):
		j.fault(1, "%v was taken by %s at %.1f s; the mail server is there, and never got it", f, takes[0].gateway, takes[0].at.Seconds())
	case f.told():
		j.counts["told"]++
	case j.anotherWasAcked(f):
		j.counts["another text under its id was acknowledged"]++
	case f.trusted() && (j.hasReceipt(f, f.find(misled)[0].at) || f.id == "" && falselyDelivered(f.n)):
		j.counts["lost on the word of a liar"]++
	case j.airless(f, noticeLifetime):
		j.counts["not told for want of airtime"]++
	default:
		j.unnamed[f.from] = append(j.unnamed[f.from], f)
	}
	if f.id != "" && !f.group && !message.IsMail(f.from) && j.confirmed(f) && !j.isForgotten(f) && len(f.find(lostRecord)) == 0 && !j.hasReceipt(f, f.firstAcked()) && !f.told() && !j.airless(f, receiptLifetime) && !j.isBlocked(f) {
		j.fault(1, "%v was acknowledged, and its writer never heard of it", f)
	}
}

var isNotice = regexp.MustCompile(`^(held:|not delivered|not taken)`)

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
		if isNotice.MatchString(e.text) {
			continue // it came round in a ring, and quotes the letter
		}
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

// How long word for a writer waits for airtime.
const (
	receiptLifetime = 2 * time.Hour
	noticeLifetime  = 12 * time.Hour
)

// airless tells whether a mesh on which its writer is, at home or where he said it, has so
// little airtime that word for him may have waited for it in vain: then the world lasts as
// long.
func (j *judge) airless(f *file, waits time.Duration) bool {
	if j.l.w.since() < f.entries[0].at+waits {
		return false
	}
	home := j.l.w.plan.meshOf(f.from)
	for _, m := range j.l.w.plan.meshes {
		if m.radio != nil && (m.name == home || slices.ContainsFunc(f.find(said), func(e entry) bool { return e.mesh == m.name })) {
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

// toldAmongOthers tells whether a notice after a letter was taken says that others of its
// writer failed, too: toldTogether counts whether it may be one of them.
func (j *judge) toldAmongOthers(f *file) bool {
	return slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == noticed && e.station == f.from && e.at > f.find(taken)[0].at && andOthers.MatchString(e.text)
	})
}

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
			honest = honest || f.from == e.station && f.id == e.frame && f.name() == e.to && (f.reached(e.at) || f.trusted() && f.find(misled)[0].at < e.at)
		}
		if !honest {
			j.fault(1, "%s gave %s a receipt for [%s] in the name of %s, who had acknowledged nothing (%.1f s)", e.gateway, e.station, e.frame, e.to, e.at.Seconds())
		}
	}
}
