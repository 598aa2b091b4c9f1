package bridge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

const twoHoursLife = "POSTHOUSE_LIFETIME=2h"

// tooMany has alder write more texts to a station that nobody has ever heard than it
// may be told of in an hour, and gives what it is told until a minute after their
// lifetime has ended.
func tooMany(w *world, n int) (told []string) {
	for i := range n {
		w.says("valley", alder, birch, fmt.Sprint(i), fmt.Sprintf("text %d", i))
	}
	time.Sleep(2*time.Hour + time.Minute) // nobody has ever heard birch
	return w.drain("valley")
}

// drain reads what a link has sent.
func (w *world) drain(name string) (out []string) {
	for {
		select {
		case f := <-w.links[name].Sent():
			out = append(out, show(f))
		default:
			return out
		}
	}
}

// A writer hears of each text that was not delivered: what he had no turn for in
// one hour is told in one notice in the next.
func TestFailuresWaitForTheirTurnAndAreToldTogether(t *testing.T) {
	inWorld(t, []string{twoHoursLife}, func(t *testing.T, w *world) {
		told := tooMany(w, 10)
		var failed []string
		for _, s := range told {
			if strings.Contains(s, "not delivered") {
				failed = append(failed, s)
			}
		}
		if len(failed) != 6 {
			t.Fatalf("%d notices: %q", len(failed), failed)
		}
		w.silent("valley", 58*time.Minute)
		w.want(w.gets("valley", 2*time.Minute), `notice N0QRZ-10>N0QRC-7 not delivered to N0QRD-9: expired. "text 6" And 3 others.`)
		w.silent("valley", 4*time.Hour)
		list, err := w.store.List(t.Context(), true, 0, 10)
		if err != nil || len(list) != 0 {
			t.Errorf("left open: %+v, %v", list, err)
		}
	})
}

// A restart forgets neither the failures nor that there are several.
func TestFailuresWaitOverARestart(t *testing.T) {
	inWorld(t, []string{twoHoursLife}, func(t *testing.T, w *world) {
		tooMany(w, 8)
		w.restart()
		w.silent("valley", 0)
		w.want(w.gets("valley", 61*time.Minute), `notice N0QRZ-10>N0QRC-7 not delivered to N0QRD-9: expired. "text 6" And 1 other.`)
		w.silent("valley", 4*time.Hour)
	})
}

// In a mail there is room for all of it.
func TestFailuresOfAMailWriterAreAllNamed(t *testing.T) {
	inWorld(t, []string{twoHoursLife, "POSTHOUSE_POST_ALLOW=ann@club.example=N0QRH"}, func(t *testing.T, w *world) {
		for i := range 8 {
			m := textFrom("ann@club.example", birch, fmt.Sprintf("<m%d@club.example>", i), fmt.Sprintf("text %d", i))
			w.hears("post", m)
		}
		time.Sleep(2*time.Hour + time.Minute)
		w.drain("post")
		f := w.gets("post", 2*time.Hour)
		for i := 6; i < 8; i++ {
			if !strings.Contains(f.Text, fmt.Sprintf("%q", fmt.Sprintf("text %d", i))) {
				t.Errorf("text %d is not named in %q", i, f.Text)
			}
		}
	})
}
