package simulation

import (
	"regexp"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/message"
)

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
		if strings.Contains(e.text, "blocked by the operator") {
			k.gateway = e.to // each of two operators may end it, and each gateway knows of its own alone
		}
		if e.part <= 1 {
			times[k]++
		}
		// What was encrypted is not quoted: two such texts are told in the same words.
		another := !strings.Contains(e.text, `"`) && times[k] <= j.encryptedBy(e.station)
		another = another || j.l.w.plan.old != "" && e.letter > 0 && times[k] <= 2 && strings.Contains(j.files[e.letter-1].text, " at ") // two normalisers, two texts
		another = another || e.parts > 1 && number(e.text) == 0                                                                          // the second part says of what
		another = another || e.letter > 0 && (j.takenAnew(&j.files[e.letter-1], e.gateway, e.at) || times[k] <= 2 && j.files[e.letter-1].cameBack())
		if at, ok := last[k]; ok && e.part <= 1 && !another && !j.troubled(e.gateway, at, at+lateMark, crashed) && !j.changed(j.about(e), j.begun(e), e.at) && !j.troubled(e.gateway, at, e.at, unanswered, broken) {
			j.fault(2, "%s told %s twice: %s", e.gateway, e.station, e.text)
		}
		last[k] = e.at
		k.gateway, k.text = e.gateway, ""
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

// about are the gateways that may tell what a notice says.
func (j *judge) about(notice entry) []string {
	if notice.letter > 0 {
		return j.concerned(&j.files[notice.letter-1])
	}
	return append(j.onMeshOf(notice.station), notice.gateway)
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
