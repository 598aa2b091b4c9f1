package bridge_test

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// A text that has not gone out yet gets its filing time when it does, also when
// its parts were made before (protocol: on every medium, older than 30 minutes).
func TestFilingTimeIsThatOfTheFirstTransmission(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.links["hill"].FailNext(link.RetryAfter(time.Hour, errText("busy")), link.RetryAfter(time.Hour, errText("busy")))
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "direct")
		w.says("valley", "N0QRA-7", "ALL", "2", "to all")
		texts := map[string]bool{w.gets("hill", 2*time.Hour).Text: true, w.gets("hill", 2*time.Hour).Text: true}
		if !texts["010000Z direct"] || !texts["010000Z to all"] {
			t.Errorf("%v", texts)
		}
		w.gets("hill", time.Hour) // sent again as it was
	})
}

func TestNoFilingTimeWhileTheClockIsNotTrusted(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.unsure.Store(true)
		w.restart()
		w.links["hill"].Down("")
		w.jumped.Store(int64(30 * 24 * time.Hour)) // found wrong before it was ever right
		w.says("valley", "N0QRA-7", "ALL", "1", "to all")
		time.Sleep(5 * time.Minute)
		w.links["hill"].Up()
		w.want(w.gets("hill", soon), "text N0QRA-7>ALL to all")
	})
}

// A jump of the clock to 2099 and back ends nothing, sends nothing twice and
// dates nothing wrongly.
func TestClockJumpsToTheEndOfTheCenturyAndBack(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		time.Sleep(time.Minute)
		w.unsure.Store(true)
		held := w.says("valley", "N0QRA-7", "N0QRC-9", "1", "held")
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "acked later")
		f := w.gets("hill", soon)
		for i, jump := range []time.Duration{99 * 365 * 24 * time.Hour, 0, -20 * 365 * 24 * time.Hour, 0} {
			w.jumped.Store(int64(jump))
			time.Sleep(5 * time.Second)
			if v := w.says("valley", "N0QRA-7", "ALL", fmt.Sprint("during ", i), "during"); v.Refused() {
				t.Errorf("jump by %v: %+v", jump, v)
			}
			if f := w.gets("hill", soon); f.Text != "during" {
				t.Errorf("jump by %v: %q", jump, f.Text)
			}
		}
		if r := w.record(held.ID); !r.Open() {
			t.Errorf("held ended as %q", r.Outcome)
		}
		w.ack("hill", f)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 2")
		w.jumped.Store(int64(99 * 365 * 24 * time.Hour))
		w.restart() // wakes up in the wrong century
		time.Sleep(30 * time.Minute)
		if r := w.record(held.ID); !r.Open() {
			t.Errorf("held ended as %q after the restart", r.Outcome)
		}
		w.beacon("hill", "N0QRC-9")
		w.gets("hill", soon)
	})
}

// What cannot go to a station (third party on APRS) keeps nothing else from it.
func TestHeldTextsThatMayNotGoKeepNoOthersBack(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=10000/1m"}, func(t *testing.T, w *world) {
		for i := range 450 {
			w.says("post", "ann@club.example", "N0QRB-9", fmt.Sprint(i), fmt.Sprint("third party ", i))
		}
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "licensed")
		w.beacon("aprs", "N0QRB-9")
		if f := w.gets("aprs", soon); f.Message.From != "N0QRA-7" {
			t.Errorf("%s", show(f))
		}
	})
}

// A dead link is a state in memory: nothing is written for it.
func TestNothingIsWrittenWhileALinkIsDown(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.gets("hill", soon)
		w.links["hill"].Down("")
		time.Sleep(20 * time.Minute) // its resend is due, the writer has heard
		before := w.store.Stats().Commits
		time.Sleep(time.Hour)
		if n := w.store.Stats().Commits - before; n > 20 {
			t.Errorf("%d commits in an idle hour", n)
		}
	})
}

func TestARefusalIsToldOnce(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for range 4 { // the radio repeats what is not acknowledged
			w.says("valley", "N0QRA-7", "POST", "1", "hello who is there")
			time.Sleep(20 * time.Second)
		}
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA-7 not taken: begin with a call sign or mail address (no-route). "hello who is there"`)
		w.silent("valley", time.Hour)
	})
}

func TestNakAfterTheAckChangesNothing(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		w.ack("hill", f)
		w.gets("valley", soon)
		if _, err := w.links["hill"].Nak(t.Context(), f); err != nil {
			t.Fatal(err)
		}
		w.silent("valley", time.Minute)
		if r := w.record(v.ID); r.Outcome != queue.Delivered {
			t.Errorf("%q", r.Outcome)
		}
	})
}

func TestAnAckFromSomebodyElseDoesNotCount(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		for _, from := range []string{"N0QRB-8", "N0QRB", "N0QRA-7", gateway} {
			m := message.Message{Kind: message.Receipt, From: from, To: "N0QRA-7", Acks: f.ID}
			if _, err := w.links["hill"].Hear(t.Context(), m); err != nil {
				t.Fatal(err)
			}
		}
		w.silent("valley", time.Minute)
	})
}

// A human is told once that nobody has confirmed an emergency.
func TestUnconfirmedEmergencyAlarmsOnce(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_ALERT_TO=ops@club.example"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "EMERGENCY help")
		w.want(w.gets("post", soon), "notice N0QRZ-10>ops@club.example EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY help")
		w.want(w.gets("post", 6*time.Minute), "notice N0QRZ-10>ops@club.example EMERGENCY from N0QRA-7 to N0QRB-9 NOT CONFIRMED after 5m0s: EMERGENCY help")
		for range 5 {
			time.Sleep(40 * time.Minute)
			w.beacon("hill", "N0QRB-9")
		}
		w.silent("post", 10*time.Hour)
	})
}

func TestPositionsAreGatedAtTheirPace(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		n := func(want int, what string) {
			t.Helper()
			synctest.Wait()
			got := 0
			for range len(w.links["aprs"].Sent()) {
				w.gets("aprs", soon)
				got++
			}
			if got != want {
				t.Errorf("%s: %d, want %d", what, got, want)
			}
		}
		for range 61 { // an hour of standing still
			w.where("valley", "N0QRA-7", 46.5, -122.9)
			time.Sleep(time.Minute)
		}
		n(3, "standing still for an hour")
		for i := range 120 { // an hour of driving, two positions each minute
			w.where("valley", "N0QRC-7", 46.5+float64(i)/100, -122.9)
			time.Sleep(30 * time.Second)
		}
		n(60, "moving for an hour")
		w.where("valley", "N0QRD-7", 0, 0)
		n(0, "nowhere")
		w.hears("valley", message.Message{Kind: message.Position, From: "N0QRE-7", Where: &message.Where{Lat: 46, Lon: -122, Time: time.Now().Add(-6 * time.Minute)}})
		n(0, "stale")
		w.hears("valley", message.Message{Kind: message.Position, From: "N0QRF-7", Via: "N0QRZ-11", Where: &message.Where{Lat: 46, Lon: -122}})
		n(0, "heard through another gateway")
		w.links["aprs"].Down("")
		w.where("valley", "N0QRG-7", 46.5, -122.9)
		w.links["aprs"].Up()
		n(0, "told while the link was down")
		time.Sleep(5 * time.Minute)
		w.where("valley", "N0QRG-7", 46.5, -122.9)
		n(1, "standing still, after the link came back")
	})
}

// An ack is a sign of life, too: it must not let go the very text that it
// acknowledges.
func TestALateAckDoesNotBringTheTextOnceMore(t *testing.T) {
	for range 20 { // which of the two came first was chance
		inWorld(t, nil, func(t *testing.T, w *world) {
			w.beacon("hill", "N0QRB-9")
			w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
			f := w.gets("hill", soon)
			w.gets("hill", time.Hour)
			w.gets("hill", time.Hour)
			w.silent("hill", time.Hour) // held by now
			w.ack("hill", f)
			w.silent("hill", time.Hour)
		})
	}
}

// The same words under the same id are a new message once the window is over;
// both may come to be sent in one step, and each has its own acknowledgement.
func TestEqualTextsSentTogetherAreAcknowledgedEach(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		first := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "all ok")
		time.Sleep(2 * time.Hour)
		second := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "all ok")
		w.beacon("hill", "N0QRB-9")
		a, b := w.gets("hill", soon), w.gets("hill", soon)
		if a.ID == b.ID {
			t.Errorf("both have the frame id %q", a.ID)
		}
		w.ack("hill", a)
		w.ack("hill", b)
		for _, v := range []link.Verdict{first, second} {
			if r := w.record(v.ID); r.Outcome != queue.Delivered {
				t.Errorf("%s is %q", v.ID, r.Outcome)
			}
		}
	})
}
