package bridge_test

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// turnedAway gives the lines of the log about what was refused.
func (w *world) turnedAway(span desk.Span) (out []desk.Line) {
	w.t.Helper()
	for _, l := range w.logOf(span) {
		if l.Result == "refused" {
			out = append(out, l)
		}
	}
	return out
}

// After an exercise the log says of each text what became of it, also of those
// that were never taken over, with the code and the reason, in the order in which
// they came; over a restart, too.
func TestTheLogShowsWhatWasRefused(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_EXERCISE=AUTUMN"}, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		time.Sleep(time.Second)
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "U2FsdGVkX19w0vQ3mXy7Jb1kU2FsdGVkX19w0vQ3mXy7Jb1k")
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "U2FsdGVkX19w0vQ3mXy7Jb1kU2FsdGVkX19w0vQ3mXy7Jb1k") // as radios do
		time.Sleep(time.Second)
		w.says("valley", "FOO", "N0QRB-9", "3", "who am I")
		time.Sleep(time.Second)
		w.says("valley", "N0QRA-7", "ALL", "4", "bye")
		w.says("valley", "N0QRA-7", "ALL", "4", "bye") // a duplicate has its line already
		time.Sleep(10 * time.Second)                   // what was sent is marked
		for _, when := range []string{"at once", "after a restart"} {
			var got []string
			for _, l := range w.logOf(desk.Span{}) {
				if l.Kind == message.Text {
					got = append(got, fmt.Sprintf("%s>%s %s %s %s %q", l.From, l.To, l.Result, l.Code, l.Exercise, l.Text))
				}
			}
			want := []string{
				`N0QRA-7>ALL sent  AUTUMN "hello"`,
				`N0QRA-7>N0QRB-9 refused looks-encrypted AUTUMN "U2FsdGVkX19w0vQ3mXy7Jb1kU2FsdGVkX19w0vQ3mXy7Jb1k"`,
				`FOO>N0QRB-9 refused no-callsign AUTUMN "who am I"`,
				`N0QRA-7>ALL sent  AUTUMN "bye"`,
			}
			if strings.Join(got, "\n") != strings.Join(want, "\n") {
				t.Errorf("%s:\n%s\nwant\n%s", when, strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
			for _, l := range w.turnedAway(desk.Span{}) {
				if l.ID != "" || l.Why == "" || l.Ended.IsZero() || l.In != "valley" {
					t.Errorf("%s: %+v", when, l)
				}
			}
			latest, err := w.bridge.Recent(t.Context(), 2+1) // a notice to N0QRA-7 is among them
			if err != nil || len(latest) != 3 || latest[1].Code != link.CodeNoCallsign {
				t.Errorf("%s the latest are %+v, %v", when, latest, err)
			}
			w.restart()
		}
	})
}

// What an adapter turned away itself is in the log and the metric like the rest.
func TestTheLogShowsWhatAnAdapterTurnedAway(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		about := message.Message{From: "eve@spam.example", To: "N0QRB-9", Subject: "\x1b[2J", Text: "\xff"}
		if err := w.links["post"].TurnAway(about, link.CodeNotAllowed, "not on the list"); err != nil {
			t.Fatal(err)
		}
		got := w.turnedAway(desk.Span{})
		if len(got) != 1 || got[0].From != "eve@spam.example" || got[0].Code != link.CodeNotAllowed || got[0].Subject != "\uFFFD[2J" || got[0].Text != "\uFFFD" {
			t.Errorf("%+v", got)
		}
		if n := w.metric("posthouse_messages_refused_total", "link", "post"); n != 1 {
			t.Errorf("counted %v", n)
		}
	})
}

// A flood of refusals costs a bounded number of lines, is counted beyond that,
// and leaves room for what other links refuse.
func TestAFloodOfRefusalsIsCounted(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		const flood = 3000
		began := w.store.Stats().Commits
		for i := range flood {
			w.says("valley", "FOO", "N0QRB-9", fmt.Sprint(i), fmt.Sprint("flood ", i))
			time.Sleep(100 * time.Millisecond)
		}
		w.says("hill", "FOO", "N0QRB-9", "1", "another one's")
		time.Sleep(time.Minute)
		synctest.Wait()
		for _, when := range []string{"at once", "after a restart"} {
			lines, all := w.turnedAway(desk.Span{}), 0
			for _, l := range lines {
				all += max(1, l.More)
			}
			if all != flood+1 || len(lines) > 50 {
				t.Errorf("%s %d lines tell of %d refusals, want %d", when, len(lines), all, flood+1)
			}
			w.restart()
		}
		if n := w.store.Stats().Commits - began; n > 100 {
			t.Errorf("%d commits in %v", n, flood*100*time.Millisecond)
		}
	})
}

// The sum of an hour is written when it changes, and not again.
func TestTheSumOfRefusalsIsWrittenOnce(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for i := range 20 + 40 { // the rate, and its share of the log
			w.says("valley", "N0QRA-7", "ALL", fmt.Sprint(i), fmt.Sprint("text ", i))
		}
		for to, text := range map[string]string{
			"N0QRB-9": "U2FsdGVkX19w0vQ3mXy7Jb1kU2FsdGVkX19w0vQ3mXy7Jb1k", "N0QRC-9": "abc\u202edef", "nobody": "hello",
			"N0QRD-9": strings.Repeat("too long ", 200), "N0QRE-9": "too many",
		} {
			w.says("valley", "N0QRA-7", to, to, text)
		}
		time.Sleep(time.Minute)
		lines := w.turnedAway(desk.Span{})
		if sum := lines[len(lines)-1]; !strings.HasSuffix(sum.Why, "looks-encrypted 1, no-route 1, not-text 1, too-many 2") {
			t.Fatalf("the sum is %q", sum.Why)
		}
		began := w.store.Stats().Commits
		time.Sleep(5 * time.Minute)
		if n := w.store.Stats().Commits - began; n > 1 {
			t.Errorf("%d commits while nothing happened", n)
		}
	})
}

// What was refused is kept as long as the log, and no longer.
func TestRefusalsGoWithTheLog(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_KEEP_LOG=2h"}, func(t *testing.T, w *world) {
		w.says("valley", "FOO", "N0QRB-9", "1", "old")
		time.Sleep(90 * time.Minute)
		w.says("valley", "FOO", "N0QRB-9", "2", "young")
		time.Sleep(time.Hour)
		if got := w.turnedAway(desk.Span{}); len(got) != 1 || got[0].Text != "young" {
			t.Errorf("%+v", got)
		}
		kept, err := w.store.Settings(t.Context(), "refused/")
		if err != nil || len(kept) != 1 {
			t.Errorf("on disk: %v, %v", kept, err)
		}
	})
}

// A notice about a refusal goes out by radio: what the rules refuse is not in it.
func TestANoticeCarriesNothingThatIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		"bell\a\x1b[2Jx":                        `notice N0QRZ-10>N0QRA-7 not taken: control character in the text (not-text). "bell` + "\uFFFD\uFFFD" + `[2Jx"`,
		"rtl\u202eevil":                         `notice N0QRZ-10>N0QRA-7 not taken: character that reorders the text (not-text). "rtl` + "\uFFFD" + `evil"`,
		"a" + strings.Repeat("\u0316", 9) + "b": `notice N0QRZ-10>N0QRA-7 not taken: too many marks piled on one letter (not-text). "ab"`,
		"a\u3164b":                              `notice N0QRZ-10>N0QRA-7 not taken: invisible character in the text (not-text). "ab"`,
		"U2FsdGVkX19w0vQ3mXy7Jb1kU2FsdGVkX19w0vQ3mXy7Jb1k": `notice N0QRZ-10>N0QRA-7 not taken: looks encrypted, radio is plain text only (armour) (looks-encrypted).`,
	} {
		inWorld(t, nil, func(t *testing.T, w *world) {
			w.says("valley", "N0QRA-7", "ALL", "0", "hello")
			w.says("valley", "N0QRA-7", "N0QRB-9", "1", text)
			w.want(w.gets("valley", soon), want)
		})
	}
}

// Where a quotation is cut, half of what belongs together would be left.
func TestANoticeIsNotCutInsideACharacter(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "we are all safe, thank\U0001F469\u200D\U0001F467")
		w.want(w.gets("valley", 6*time.Minute), `notice N0QRZ-10>N0QRA-7 held: N0QRB-9 never heard. Goes out when heard. "we are all safe, thank`+"\U0001F469"+`..."`)
	})
}
