package bridge_test

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

// toldOf gives who was told of a message, a line each.
func (w *world) toldOf(id string) (out []string) {
	w.t.Helper()
	st, err := w.bridge.Story(w.t.Context(), id)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, s := range st.Told {
		line := fmt.Sprintf("%s %s %s", s.Kind, s.To, s.Result)
		if s.Why != "" {
			line += ": " + s.Why
		}
		out = append(out, line)
	}
	return out
}

// Whoever has to show what became of a message can show who was told of it, too.
func TestStorySaysWhoWasTold(t *testing.T) {
	inWorld(t, []string{twoHoursLife, "POSTHOUSE_ALERT_TO=duty@county.example"}, func(t *testing.T, w *world) {
		want := func(about, id string, want ...string) {
			t.Helper()
			if got := w.toldOf(id); !slices.Equal(got, want) {
				t.Errorf("%s: told %q, want %q", about, got, want)
			}
		}
		w.beacon("hill", birch)
		v := w.says("valley", alder, birch, "1", "are you there")
		f := w.gets("hill", soon)
		want("not acknowledged yet", v.ID)
		w.ack("hill", f)
		time.Sleep(soon)
		want("delivered", v.ID, "receipt "+alder+" sent")

		v = w.says("valley", alder, "ALL", "2", "net at eight")
		time.Sleep(soon)
		want("to a group", v.ID)

		v = w.says("valley", alder, "N0QRX-1", "3", "EMERGENCY broken leg")
		time.Sleep(3 * time.Hour)
		want("an emergency that expired", v.ID, "notice duty@county.example delivered", "notice "+alder+" sent",
			"notice duty@county.example delivered", "notice duty@county.example delivered", "notice "+alder+" sent")
	})
}

// A notice that waits, and one that was combined with another, say so.
func TestStorySaysWhoIsToldLater(t *testing.T) {
	inWorld(t, []string{twoHoursLife}, func(t *testing.T, w *world) {
		tooMany(w, 8)
		if got, want := w.toldOf("8"), []string{"notice " + alder + " open: it has had 6 notices within the hour"}; !slices.Equal(got, want) {
			t.Errorf("told %q, want %q", got, want)
		}
		time.Sleep(time.Hour)
		got := append(w.toldOf("7"), w.toldOf("8")...)
		speaks, err := w.bridge.Story(t.Context(), "7")
		if err != nil {
			t.Fatal(err)
		}
		want := []string{"notice " + alder + " sent", "notice " + alder + " taken: told with " + speaks.Told[0].ID}
		if !slices.Equal(got, want) {
			t.Errorf("told %q, want %q", got, want)
		}
	})
}
