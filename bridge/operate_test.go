package bridge_test

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
	"posthouse/queue"
)

// order has the operator do something that must be possible.
func (w *world) order(do, id, to string) desk.Story {
	w.t.Helper()
	st, err := w.bridge.Order(w.t.Context(), desk.Order{Do: do, ID: id, Link: to})
	if err != nil {
		w.t.Fatalf("%s %s %s: %v", do, id, to, err)
	}
	synctest.Wait()
	return st
}

// impossible has the operator do what must be refused, for that kind of reason.
func (w *world) impossible(kind error, do, id, to string) {
	w.t.Helper()
	if _, err := w.bridge.Order(w.t.Context(), desk.Order{Do: do, ID: id, Link: to}); !errors.Is(err, kind) {
		w.t.Errorf("%s %s %s: %v, want %v", do, id, to, err, kind)
	}
}

func (w *world) state(id string) queue.State {
	w.t.Helper()
	return w.record(id).Deliveries[0].State
}

// On a disk that cannot be written quiet is quiet all the same, and the operator
// hears that it will not outlast the run.
func TestQuietOnABrokenDiskStopsAndSaysForHowLong(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.broken.Store(true)
		err := w.bridge.Quiet(t.Context(), "hill", "N0QRO")
		if err == nil || !strings.Contains(err.Error(), "sending is stopped (hill)") || !strings.Contains(err.Error(), "until a restart") {
			t.Errorf("%v", err)
		}
		w.broken.Store(false)
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.silent("hill", time.Minute)
	})
}

func TestHoldParksUntilRelease(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["post"].Down("no network")
		v := w.says("valley", "N0QRA-7", "ann@club.example", "1", "hello")
		w.order(desk.Hold, v.ID, "")
		w.impossible(desk.ErrUsage, desk.Hold, v.ID, "")
		w.impossible(desk.ErrUsage, desk.Retry, v.ID, "")
		w.restart()
		w.silent("post", time.Hour)
		if s := w.state(v.ID); s != queue.Parked {
			t.Fatalf("state %s after a restart", s)
		}
		w.order(desk.Release, v.ID, "")
		w.want(w.gets("post", soon), "text N0QRA-7>ann@club.example 010000Z hello")
		w.impossible(desk.ErrUsage, desk.Release, v.ID, "") // it is over
	})
}

func TestReleasedLocalTextGoesOutUnderItsOwnFrameID(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.order(desk.Hold, v.ID, "")
		w.order(desk.Release, v.ID, "")
		f := w.gets("valley", soon)
		if len(f.ID) != 5 {
			t.Errorf("frame id %q", f.ID)
		}
		w.ack("valley", f)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
	})
}

func TestHoldEndsResendsAndAnAckStillCounts(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		w.order(desk.Hold, v.ID, "")
		w.silent("hill", time.Hour)
		w.beacon("hill", "N0QRB-9")
		w.silent("hill", time.Minute) // being heard releases nothing that is parked
		w.order(desk.Release, v.ID, "")
		again := w.gets("hill", soon)
		if again.ID != f.ID {
			t.Errorf("frame id %q, before %q", again.ID, f.ID)
		}
		w.order(desk.Hold, v.ID, "")
		w.ack("hill", f)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
		if s := w.state(v.ID); s != queue.Delivered {
			t.Errorf("state %s after the ack", s)
		}
	})
}

// What the link has in hand at this moment still goes out, but what the operator
// said is not undone by its outcome.
func TestOrdersDuringASend(t *testing.T) {
	for _, c := range []struct {
		name string
		do   string
		to   string
		want queue.State
	}{
		{"held stays held", desk.Hold, "", queue.Parked},
		{"dropped stays dropped", desk.Drop, "", queue.Dropped},
		{"moved goes by the other link", desk.Move, "hill", queue.Later},
	} {
		t.Run(c.name, func(t *testing.T) {
			inWorld(t, nil, func(t *testing.T, w *world) {
				w.beacon("aprs", "N0QRB-9")
				resume := w.links["aprs"].Stall()
				v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
				time.Sleep(time.Second)
				w.order(c.do, v.ID, c.to)
				resume()
				w.gets("aprs", soon)
				if c.to != "" {
					w.want(w.gets(c.to, soon), "text N0QRA-7>N0QRB-9 hello")
				}
				time.Sleep(20 * time.Second)
				synctest.Wait()
				if s := w.state(v.ID); s != c.want {
					t.Errorf("state %s, want %s", s, c.want)
				}
			})
		})
	}
}

func TestRetryTriesNow(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		time.Sleep(soon)
		w.order(desk.Retry, v.ID, "") // waits for its ack
		w.gets("hill", soon)
		w.gets("hill", time.Hour)
		w.silent("hill", 2*time.Hour)
		if s := w.state(v.ID); s != queue.Held {
			t.Fatalf("state %s after all its tries", s)
		}
		w.order(desk.Retry, v.ID, "")
		if again := w.gets("hill", soon); again.ID != f.ID {
			t.Errorf("frame id %q, before %q", again.ID, f.ID)
		}
		w.silent("hill", 2*time.Hour) // one more round
		if s := w.state(v.ID); s != queue.Held {
			t.Errorf("state %s after one more round", s)
		}
	})
}

func TestRetryAfterATemporaryError(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["post"].FailNext(errText("greylisted"))
		v := w.says("valley", "N0QRA-7", "ann@club.example", "1", "hello")
		time.Sleep(time.Second)
		synctest.Wait()
		if s := w.state(v.ID); s != queue.Later {
			t.Fatalf("state %s", s)
		}
		w.order(desk.Retry, v.ID, "")
		w.want(w.gets("post", time.Second), "text N0QRA-7>ann@club.example hello")
	})
}

func TestDropTellsTheWriterAndEndsIt(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		st := w.order(desk.Drop, v.ID, "")
		if st.Result != "dropped" || st.Why != "dropped by the operator" {
			t.Errorf("result %q, why %q", st.Result, st.Why)
		}
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA-7 not delivered to N0QRB-9: dropped by the operator. "hello"`)
		w.beacon("hill", "N0QRB-9")
		w.silent("hill", time.Hour)
		for _, do := range []string{desk.Hold, desk.Release, desk.Retry, desk.Drop} {
			w.impossible(desk.ErrUsage, do, v.ID, "")
		}
	})
}

func TestMoveKeepsTheRules(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_HILL_DIRECTION=in", "POSTHOUSE_APRS_THIRD_PARTY=no"}, func(t *testing.T, w *world) {
		unheard := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.links["post"].Down("no network")
		mail := w.says("valley", "N0QRA-7", "ann@club.example", "2", "hello")
		w.links["aprs"].Down("no network")
		group, err := w.bridge.Send(t.Context(), desk.Draft{To: "ALL", Text: "hello", By: "N0QRA"})
		if err != nil {
			t.Fatal(err)
		}
		w.impossible(desk.ErrUsage, desk.Move, unheard.ID, "dale") // no such link
		w.impossible(desk.ErrUsage, desk.Move, unheard.ID, "hill") // only receives
		w.impossible(desk.ErrUsage, desk.Move, unheard.ID, "post") // no mail address
		w.impossible(desk.ErrUsage, desk.Move, mail.ID, "aprs")    // a mail address
		w.impossible(desk.ErrUsage, desk.Move, group, "aprs")      // a group
		w.impossible(desk.ErrUsage, desk.Move, mail.ID, "post")    // there already
		w.impossible(desk.ErrUsage, desk.Retry, unheard.ID, "")    // by which link?
		w.impossible(desk.ErrUsage, "carry", unheard.ID, "")       // no such order
		w.impossible(desk.ErrUnknown, desk.Hold, "4711", "")       // no such message
		w.impossible(desk.ErrUsage, desk.Hold, "N0QRY-10.1", "")   // of another gateway
		w.impossible(desk.ErrUsage, desk.Hold, "0", "")            // never an id
		w.impossible(desk.ErrUsage, desk.Hold, "N0QRZ-10.01x", "") // no number
		w.links["aprs"].Up()
		w.order(desk.Move, "n0qrz-10."+unheard.ID[len("N0QRZ-10."):], "aprs")
		w.want(w.gets("aprs", soon), "text N0QRA-7>N0QRB-9 hello")
	})
}

func TestExerciseStartsAndStopsWithoutARestart(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_EXERCISE_STATIONS=N0QRA*,N0QRD-3"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		says := func(from, id, want string) {
			t.Helper()
			w.says("valley", from, "N0QRB-9", id, "hello")
			w.want(w.gets("hill", soon), "text "+from+">N0QRB-9 "+want)
		}
		says("N0QRA-7", "1", "hello")
		if _, err := w.bridge.StartExercise(t.Context(), "AUTUMN", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		says("N0QRA-7", "2", "EXERCISE hello EXERCISE")
		says("N0QRC-1", "3", "hello") // takes no part
		w.restart()
		w.beacon("hill", "N0QRB-9")
		says("N0QRD-3", "4", "EXERCISE hello EXERCISE")
		if _, err := w.bridge.StartExercise(t.Context(), "WINTER", "N0QRA"); !errors.Is(err, desk.ErrUsage) {
			t.Errorf("two at a time: %v", err)
		}
		was, err := w.bridge.StopExercise(t.Context(), "N0QRA")
		if err != nil || was.Name != "AUTUMN" {
			t.Errorf("stopped %q, %v", was.Name, err)
		}
		w.restart()
		w.beacon("hill", "N0QRB-9")
		says("N0QRA-7", "5", "hello")
		if _, err := w.bridge.StopExercise(t.Context(), "N0QRA"); !errors.Is(err, desk.ErrUsage) {
			t.Errorf("stopped twice: %v", err)
		}
		for _, name := range []string{"", "a name that is much too long", "Übung"} {
			if _, err := w.bridge.StartExercise(t.Context(), name, "N0QRA"); !errors.Is(err, desk.ErrUsage) {
				t.Errorf("name %q: %v", name, err)
			}
		}
	})
}

// The operator's word holds until the setting is changed: then that is later.
func TestExerciseOfTheSettings(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_EXERCISE=AUTUMN"}, func(t *testing.T, w *world) {
		if e := w.bridge.Exercise(); e.Name != "AUTUMN" {
			t.Fatalf("exercise %q", e.Name)
		}
		if _, err := w.bridge.StopExercise(t.Context(), "N0QRA"); err != nil {
			t.Fatal(err)
		}
		w.restart()
		if e := w.bridge.Exercise(); e.Name != "" {
			t.Errorf("exercise %q after stop and restart", e.Name)
		}
		w.cfg.Exercise = "WINTER"
		w.restart()
		if e := w.bridge.Exercise(); e.Name != "WINTER" {
			t.Errorf("exercise %q, and the settings say WINTER", e.Name)
		}
	})
}
