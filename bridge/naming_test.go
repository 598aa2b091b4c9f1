package bridge_test

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

// The frame id of a text is on disk with it, so that nothing has to be written between
// its commit and its way out.
func TestATextIsNamedWhenItIsTakenOver(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", birch)
		w.links["hill"].Down("gone")
		synctest.Wait()
		v := w.says("valley", alder, birch, "1", "water is up")
		synctest.Wait()
		d := w.record(v.ID).Deliveries[0]
		if len(d.Parts) != 1 || d.Parts[0].ID == "" {
			t.Fatalf("taken over as %+v, want it to have a frame id", d)
		}
		w.links["hill"].Up()
		f := w.gets("hill", time.Minute)
		if f.ID != d.Parts[0].ID {
			t.Errorf("it went out as %q, and %q is on disk", f.ID, d.Parts[0].ID)
		}
		w.ack("hill", f)
		w.want(w.gets("valley", time.Minute), fmt.Sprintf("receipt %s>%s 1", birch, alder))
	})
}
