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

// Two texts that were tried before go out on another mesh, and their frame ids there cannot
// be written. The second, which waits for the first, is not sent by an id that is not on disk.
func TestATextIsNotSentByAnIDThatIsNotOnDisk(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", birch)
		w.says("aprs", alder, birch, "1", "water is up")
		w.says("aprs", alder, birch, "2", "bridge is down")
		time.Sleep(2 * time.Hour)
		w.drain("hill")
		if err := w.bridge.Quiet(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		w.beacon("valley", birch)
		time.Sleep(time.Second)
		w.unsaid.Store(true)
		if err := w.bridge.Resume(t.Context(), "valley", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		w.unsaid.Store(false)
		f := w.gets("valley", time.Hour)
		if at, _, err := w.store.Frame(t.Context(), "valley", birch, f.ID); err != nil {
			t.Errorf("sent as %s, and on disk: %v, %v", f.ID, at, err)
		}
		time.Sleep(time.Hour)
		if err := w.store.Verify(t.Context()); err != nil {
			t.Error(err)
		}
	})
}
