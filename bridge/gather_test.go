package bridge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// parted is a text to the gateway as another gateway splits it for APRS.
func parted(t *testing.T, text string, mark fit.Mark) []string {
	t.Helper()
	parts, err := fit.Fit(text, fit.APRS(20), mark)
	if err != nil || len(parts) < 2 {
		t.Fatalf("%q: %v", parts, err)
	}
	return parts
}

const longMail = "ann@club.example The bridge at the mill is gone, use the road over the ridge, the one with the new surface. Next report at 1600Z."

// Parts from a far gateway become one mail, whatever their order; its receipt
// acknowledges each part, and again when a part is repeated.
func TestPartsFromAFarGatewayBecomeOneMail(t *testing.T) {
	for name, order := range map[string][]int{"in order": {0, 1, 2}, "backwards": {2, 1, 0}, "one twice": {1, 1, 0, 2}} {
		t.Run(name, func(t *testing.T) {
			inWorld(t, nil, func(t *testing.T, w *world) {
				parts := parted(t, longMail, fit.Mark{})
				for _, i := range order {
					w.says("aprs", "N0QRA-7", gateway, fmt.Sprint("p", i), parts[i])
					time.Sleep(20 * time.Second)
				}
				_, text, _ := strings.Cut(longMail, " ")
				w.want(w.gets("post", soon), "text N0QRA-7>ann@club.example "+text)
				acks := map[string]bool{}
				for range parts {
					acks[show(w.gets("aprs", soon))] = true
				}
				for i := range parts {
					if line := fmt.Sprintf("receipt %s>N0QRA-7 p%d", gateway, i); !acks[line] {
						t.Errorf("no %q in %v", line, acks)
					}
				}
				w.silent("post", time.Hour)
				w.says("aprs", "N0QRA-7", gateway, "p1", parts[1])
				w.silent("post", time.Minute)
			})
		})
	}
}

func TestARepeatedPartIsAcknowledgedAgain(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		parts := parted(t, longMail, fit.Mark{})
		for i, p := range parts {
			time.Sleep(time.Second)
			w.says("aprs", "N0QRA-7", gateway, fmt.Sprint("p", i), p)
		}
		w.gets("post", soon)
		for range parts {
			w.gets("aprs", soon)
		}
		time.Sleep(time.Minute)
		w.says("aprs", "N0QRA-7", gateway, "p1", parts[1])
		w.want(w.gets("aprs", soon), "receipt "+gateway+">N0QRA-7 p0")
	})
}

func TestJoinedTextGoesToAGroupAndAStation(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		for i, to := range []string{"ALL", "N0QRB-9"} {
			text := strings.Replace(longMail, "ann@club.example", to, 1)
			for k, p := range parted(t, "EXERCISE "+text, fit.Mark{Before: "EXERCISE ", After: " EXERCISE"}) {
				w.says("aprs", "N0QRA-7", "POST", fmt.Sprint(i, k), p)
			}
			f := w.gets("hill", soon)
			if f.Message.To != to || f.Message.From != "N0QRA-7" || !strings.HasPrefix(f.Text, "EXERCISE ") || !strings.HasSuffix(f.Text, " EXERCISE") {
				t.Errorf("%s", show(f))
			}
			w.ack("hill", f)
			time.Sleep(time.Minute)
			for range len(w.links["hill"].Sent()) {
				w.ack("hill", w.gets("hill", soon))
			}
		}
	})
}

// A part that stays alone goes on as it is after ten minutes: here it has no
// address, and its writer hears so.
func TestPartsWaitTenMinutesForTheOthers(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		parts := parted(t, longMail, fit.Mark{})
		v := w.says("aprs", "N0QRA-7", gateway, "p0", parts[0])
		time.Sleep(9 * time.Minute)
		w.says("aprs", "N0QRA-7", gateway, "p1", parts[1])
		time.Sleep(9 * time.Minute)
		if r := w.record(v.ID); r.Deliveries[0].State != queue.Gathering {
			t.Errorf("%s nine minutes after the last part", r.Deliveries[0].State)
		}
		time.Sleep(2 * time.Minute)
		if r := w.record(v.ID); r.Outcome != queue.Failed || r.Deliveries[0].Code != "no-route" {
			t.Errorf("%s %s", r.Outcome, r.Deliveries[0].Code)
		}
		if f := w.gets("aprs", soon); f.Message.Kind != message.Notice || !strings.Contains(f.Message.Text, "not all 3 parts have come, send it again") {
			t.Errorf("the writer hears %s", show(f))
		}
		w.silent("post", time.Hour)
	})
}

// The first part has the address, so alone it is no answer to whom the writer heard from
// last. A text of people that only looks like a part is.
func TestAFirstPartAloneIsNoAnswer(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRA-7")
		w.says("hill", birch, "N0QRA-7", "1", "how are you")
		f := w.gets("aprs", soon)
		w.want(f, "text N0QRD-9>N0QRA-7 how are you")
		w.ack("aprs", f)
		w.gets("hill", soon) // its receipt
		v := w.says("aprs", "N0QRA-7", gateway, "p0", parted(t, longMail, fit.Mark{})[0])
		w.silent("hill", 11*time.Minute)
		if r := w.record(v.ID); r.Outcome != queue.Failed || r.Deliveries[0].Code != link.CodeNoRoute {
			t.Errorf("%s %s", r.Outcome, r.Deliveries[0].Code)
		}
		w.says("aprs", "N0QRA-7", gateway, "p1", "1/2 of us are here")
		w.want(w.gets("hill", 11*time.Minute), "text N0QRA-7>N0QRD-9 1/2 of us are here")
	})
}

// What was taken over survives a stop, and is joined afterwards.
func TestPartsSurviveARestart(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		parts := parted(t, longMail, fit.Mark{})
		w.says("aprs", "N0QRA-7", gateway, "p0", parts[0])
		w.says("aprs", "N0QRA-7", gateway, "p1", parts[1])
		w.restart()
		w.says("aprs", "N0QRA-7", gateway, "p2", parts[2])
		_, text, _ := strings.Cut(longMail, " ")
		w.want(w.gets("post", soon), "text N0QRA-7>ann@club.example "+text)
	})
}

// Another text with as many parts, and somebody else's, are not mixed in.
func TestPartsOfDifferentTextsStayApart(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		a, b := parted(t, longMail, fit.Mark{}), parted(t, strings.Replace(longMail, "mill", "farm", 1), fit.Mark{})
		w.says("aprs", "N0QRA-7", gateway, "a0", a[0])
		w.says("aprs", "N0QRC-7", gateway, "b0", b[0])
		w.says("aprs", "N0QRC-7", gateway, "b1", b[1])
		w.says("aprs", "N0QRA-7", gateway, "a1", a[1])
		w.says("aprs", "N0QRC-7", gateway, "b2", b[2])
		if f := w.gets("post", soon); f.Message.From != "N0QRC-7" || !strings.Contains(f.Text, "farm") {
			t.Errorf("%s", show(f))
		}
		w.says("aprs", "N0QRA-7", gateway, "a2", a[2])
		if f := w.gets("post", soon); f.Message.From != "N0QRA-7" || !strings.Contains(f.Text, "mill") {
			t.Errorf("%s", show(f))
		}
	})
}

// People write 1/2 too: only a text that begins with it waits, and a stranger
// cannot fill the memory.
func TestOnlyWhatBeginsWithANumberWaits(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=10000/1m"}, func(t *testing.T, w *world) {
		w.says("aprs", "N0QRA-7", gateway, "1", "ann@club.example need 1/2 ton of sand")
		w.gets("post", soon)
		for i := range 520 {
			w.says("aprs", fmt.Sprintf("N0QR%c%c", 'A'+i/26, 'A'+i%26), gateway, "1", "1/3 ann@club.example "+strings.Repeat("x", 20))
		}
		for i, p := range parted(t, longMail, fit.Mark{}) { // there is room again later
			if i == 0 {
				time.Sleep(15 * time.Minute)
			}
			w.says("aprs", "N0QRA-7", gateway, fmt.Sprint("late ", i), p)
		}
		w.gets("post", soon)
	})
}

func TestJoinedPartsAreJudgedAsAWhole(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for i, p := range []string{"1/3 ann@club.example G3KbkBPM4igK", "2/3+nUSEmF6dk1xWsdXKsaZL", "3/3+tjsbuKNzExdb91wR"} {
			w.says("aprs", "N0QRA-7", gateway, fmt.Sprint("p", i), p)
		}
		w.silent("post", time.Hour)
	})
}

// An emergency that another gateway has split alarms people as any other does, and so
// does its beginning where the rest of it does not come.
func TestAnEmergencyInPartsAlarms(t *testing.T) {
	long := parted(t, "EMERGENCY "+longMail, fit.Mark{})
	answer := parted(t, strings.Replace("EMERGENCY "+longMail, "ann@club.example", "broken leg.", 1), fit.Mark{})
	for name, c := range map[string]struct {
		parts  []string
		answer bool // N0QRA-7 has just been given a text, which this answers
		alarm  string
	}{
		"whole":             {long, false, "to ann@club.example: EMERGENCY The bridge at the mill"},
		"without a rest":    {long[:1], false, "NOT TAKEN (not all 3 parts have come, send it again): " + long[0]},
		"an answer's start": {answer[:1], true, "to N0QRB-9: " + answer[0]},
		"another part":      {long[1:], false, ""},
		"in an exercise":    {[]string{"EXERCISE " + long[0] + " EXERCISE"}, false, ""},
	} {
		t.Run(name, func(t *testing.T) {
			inWorld(t, []string{ops}, func(t *testing.T, w *world) {
				if c.answer {
					w.beacon("aprs", "N0QRA-7")
					w.says("hill", "N0QRB-9", "N0QRA-7", "1", "how are you")
					w.ack("aprs", w.gets("aprs", soon))
				}
				for i, p := range c.parts {
					w.says("aprs", "N0QRA-7", gateway, fmt.Sprint("p", i), p)
				}
				time.Sleep(2 * time.Minute)
				var alarms []string
				for range len(w.links["post"].Sent()) {
					if f := w.gets("post", soon); f.Message.To == "ops@club.example" {
						alarms = append(alarms, f.Text)
					}
				}
				switch {
				case c.alarm == "" && alarms != nil:
					t.Errorf("%q, want no alarm", alarms)
				case c.alarm != "" && (len(alarms) != 1 || !strings.HasPrefix(alarms[0], "EMERGENCY from N0QRA-7 "+c.alarm)):
					t.Errorf("%q, want one alarm: %s", alarms, c.alarm)
				}
			})
		})
	}
}

// Who has sent as much as its rate lets it can still send an emergency in parts, and not
// without an end what only looks like one.
func TestNoRateHoldsUpAnEmergencyInParts(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		say := func(id, text string) string {
			t.Helper()
			return w.says("aprs", "N0QRA-7", gateway, id, text).Code
		}
		for i := range 20 {
			if code := say(fmt.Sprint("r", i), fmt.Sprint("ann@club.example routine ", i)); code != "" {
				t.Fatalf("text %d: %s", i, code)
			}
		}
		if code := say("over", "ann@club.example one more"); code != link.CodeTooMany {
			t.Fatalf("a text beyond the rate: %q", code)
		}
		for i, p := range parted(t, "EMERGENCY "+longMail, fit.Mark{}) {
			if code := say(fmt.Sprint("p", i), p); code != "" {
				t.Errorf("part %d of an emergency: %s", i+1, code)
			}
		}
		taken := 0
		for i := range 100 {
			if say(fmt.Sprint("f", i), fmt.Sprintf("1/2 EMERGENCY %d", i)) == "" {
				taken++
			}
		}
		if taken > 60 {
			t.Errorf("%d beginnings of emergencies are taken beyond the rate", taken)
		}
		time.Sleep(time.Minute)
		alarms := 0
		for range len(w.links["post"].Sent()) {
			if f := w.gets("post", soon); strings.HasPrefix(f.Text, "EMERGENCY from N0QRA-7 to ann@club.example: EMERGENCY The bridge") {
				alarms++
			}
		}
		if alarms != 1 {
			t.Errorf("%d alarms of the emergency in parts, want one", alarms)
		}
	})
}

// What goes on without the other parts is looked after like any other emergency.
func TestAnEmergencyInPartsThatNobodyConfirms(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRA-7")
		w.says("hill", "N0QRB-9", "N0QRA-7", "1", "how are you")
		w.ack("aprs", w.gets("aprs", soon))
		w.says("aprs", "N0QRA-7", gateway, "2", "1/2 EMERGENCY broken leg at the")
		w.gets("post", 2*time.Minute)
		w.want(w.gets("post", 7*time.Minute), "notice N0QRZ-10>ops@club.example EMERGENCY from N0QRA-7 to N0QRB-9 NOT CONFIRMED after 5m0s: 1/2 EMERGENCY broken leg at the")
	})
}
