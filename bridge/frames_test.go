package bridge

import (
	"slices"
	"testing"

	"posthouse/queue"
)

// The courier's copy of a delivery may know of sent parts that are not on disk yet. It may
// also be older than a stay on another link, after which the delivery begins anew: then
// parts of which it has the acks, or whose frame ids led to it, are as good as never sent.
func TestOnlyWhatWasSentOfThisStayIsKnown(t *testing.T) {
	part := func(id string, sent bool) queue.Part { return queue.Part{ID: id, Sent: sent} }
	for name, c := range map[string]struct {
		is, was queue.Delivery
		want    []queue.Part
	}{
		"a part was sent that is not marked on disk": {
			is:  queue.Delivery{Attempts: 1, Parts: []queue.Part{part("a", false), part("b", false)}},
			was: queue.Delivery{Attempts: 1, Parts: []queue.Part{part("a", true), part("b", false)}}, want: []queue.Part{part("a", true), part("b", false)},
		},
		"nothing of it is on disk, and nobody acknowledges": {
			is: queue.Delivery{}, was: queue.Delivery{Parts: []queue.Part{part("", true), part("", false)}}, want: []queue.Part{part("", true), part("", false)},
		},
		"it was tried elsewhere since": {
			is: queue.Delivery{Attempts: 2}, was: queue.Delivery{Attempts: 1, Parts: []queue.Part{part("", true), part("", false)}},
		},
		"it has had a round since": {
			is:  queue.Delivery{Round: 1, Parts: []queue.Part{part("a", false)}},
			was: queue.Delivery{Parts: []queue.Part{part("a", true)}}, want: []queue.Part{part("a", false)},
		},
		"its frame ids are forgotten on disk": {
			is: queue.Delivery{Attempts: 1}, was: queue.Delivery{Attempts: 1, Parts: []queue.Part{part("a", true), part("b", false)}},
		},
	} {
		trip := &trip{chosen: &c.was, d: &c.is}
		(&carrier{ln: &line{}}).knowParts(trip)
		if !slices.Equal(c.is.Parts, c.want) {
			t.Errorf("%s: %+v, want %+v", name, c.is.Parts, c.want)
		}
	}
}
