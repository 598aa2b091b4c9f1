package simulation

import (
	"slices"
	"strings"
	"time"
)

// order checks that a try which fails lets nobody behind it pass.
func (j *judge) order() {
	for a := range j.files {
		for _, no := range j.files[a].find(rejected) {
			if !j.forgot(no) { // else it is tried in the order in which it came again
				j.orderBehind(&j.files[a], no)
			}
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
