package bridge_test

import (
	"fmt"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

const ops = "POSTHOUSE_ALERT_TO=ops@club.example"

// alerts lists what was told by mail since the last time.
func (w *world) alerts() (texts []string) {
	w.t.Helper()
	synctest.Wait()
	for len(w.links["post"].Sent()) > 0 {
		f := <-w.links["post"].Sent()
		if f.Message.Kind != message.Notice || f.Message.From != gateway || f.Message.To != "ops@club.example" {
			w.t.Errorf("post sent %s", show(f))
		}
		texts = append(texts, f.Text)
	}
	return texts
}

// tells checks what was told by mail since the last time.
func (w *world) tells(want ...string) {
	w.t.Helper()
	if got := w.alerts(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		w.t.Errorf("at %v told\n  %q\nwant\n  %q", time.Since(bubbleBegan), got, want)
	}
}

func TestLinkDownIsToldOnceAndThatItIsUpAgain(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		time.Sleep(time.Hour)
		w.links["hill"].Down("no answer")
		time.Sleep(9*time.Minute + 55*time.Second)
		w.tells()
		time.Sleep(10 * time.Second)
		w.tells("ALERT N0QRZ-10: link hill is down (10m)")
		time.Sleep(2 * time.Hour)
		w.tells()
		w.restart() // the memory link is up after it: down it again at once
		w.links["hill"].Down("no answer")
		time.Sleep(time.Hour)
		w.tells()
		w.links["hill"].Up()
		time.Sleep(4 * time.Minute)
		w.tells()
		time.Sleep(2 * time.Minute)
		w.tells("OK N0QRZ-10: link hill is up again after 3h10m")
		time.Sleep(time.Hour)
		w.tells()
	})
}

// A link that is up may do half of its work only, for weeks.
func TestLinkThatDoesHalfOfItsWorkIsTold(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.links["hill"].Trouble("nothing goes out")
		time.Sleep(9 * time.Minute)
		w.tells()
		time.Sleep(2 * time.Minute)
		w.tells("ALERT N0QRZ-10: link hill: nothing goes out (10m)")
		w.links["hill"].Trouble("")
		time.Sleep(6 * time.Minute)
		w.tells("OK N0QRZ-10: link hill does all of its work again after 11m")
	})
}

// A link that flaps all day is one trouble, not hundreds.
func TestFlappingLinkIsToldSeldom(t *testing.T) {
	for name, beat := range map[string]struct{ down, up time.Duration }{
		"fast": {time.Minute, time.Minute}, "slow": {20 * time.Minute, 7 * time.Minute}, "mostly up": {time.Minute, 20 * time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			inWorld(t, []string{ops}, func(t *testing.T, w *world) {
				for begun := time.Now(); time.Since(begun) < 4*time.Hour; {
					w.links["hill"].Down("no answer")
					time.Sleep(beat.down)
					w.links["hill"].Up()
					time.Sleep(beat.up)
				}
				got := w.alerts()
				most := map[string]int{"fast": 1, "slow": 8, "mostly up": 0}[name]
				if len(got) > most || len(got) < min(most, 1) {
					t.Errorf("%d alerts in 4 h: %q", len(got), got)
				}
			})
		})
	}
}

// An alert about a link goes by those that work.
func TestAlertTakesAWayThatWorks(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_ALERT_TO=N0QRB-9"}, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRB-9")
		w.beacon("hill", "N0QRB-9") // heard there last, and by radio
		w.links["hill"].Down("no answer")
		w.want(w.gets("aprs", 11*time.Minute), "notice N0QRZ-10>N0QRB-9 ALERT N0QRZ-10: link hill is down (10m)")
		w.links["hill"].Up()
		w.want(w.gets("hill", 6*time.Minute), "notice N0QRZ-10>N0QRB-9 OK N0QRZ-10: link hill is up again after 10m")
	})
}

// What is unusual a link knows by itself: three times the longest silence of the
// last week, an hour at least.
func TestDeafLinkIsTold(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.shut()
		time.Sleep(24 * time.Hour) // it knows itself after a day; what the gateway was off is no silence
		w.start()
		for range 3 { // a busy link with pauses of 50 minutes
			for range 6 {
				w.beacon("hill", "N0QRB-9")
				time.Sleep(2 * time.Minute)
			}
			time.Sleep(48 * time.Minute)
		}
		w.tells()
		time.Sleep(95 * time.Minute) // 50 minutes, three times: 2 h 30 since the last beacon
		w.tells()
		time.Sleep(10 * time.Minute)
		w.tells("ALERT N0QRZ-10: link hill is up and hears nothing (2h30m)")
		for _, l := range w.bridge.Links() {
			if deaf := l.Deaf != ""; deaf != (l.Name == "hill") {
				t.Errorf("link %s is deaf since %q", l.Name, l.Deaf)
			}
		}
		time.Sleep(time.Hour)
		w.restart() // silence begins anew with a start; what is usual is remembered
		w.tells()
		w.beacon("hill", "N0QRB-9")
		time.Sleep(2 * time.Minute)
		got := w.alerts()
		if len(got) != 1 || !strings.HasPrefix(got[0], "OK N0QRZ-10: link hill hears again after ") {
			t.Errorf("told %q", got)
		}
	})
}

func TestClockThatIsNotTrustedIsTold(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.shut()
		w.unsure.Store(true)
		w.jumped.Store(int64(-24 * 365 * time.Hour)) // a computer that woke up in the past
		w.start()
		time.Sleep(14 * time.Minute)
		w.tells()
		time.Sleep(2 * time.Minute)
		w.tells("ALERT N0QRZ-10: the clock is not trusted (15m)")
		time.Sleep(3*time.Hour + 20*time.Second)
		w.unsure.Store(false)
		w.jumped.Store(0)
		time.Sleep(6 * time.Minute)
		w.tells("OK N0QRZ-10: the clock is trusted again after 3h16m")
	})
}

// It is told sooner where the clock keeps out what others say.
func TestClockThatKeepsOthersOutIsToldSooner(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley mail", "N0QRE-10 hill"}, func(t *testing.T, c *country) {
		p := c.posts["N0QRA-10"]
		p.cfg.AlertTo = []string{"ops@club.example"}
		p.shut()
		p.unsure.Store(true)
		p.start()
		time.Sleep(5 * time.Second)
		p.host(c).Dated(false)
		time.Sleep(90 * time.Second)
		if got := p.went("post"); len(got) != 0 {
			t.Errorf("after 90 s told %q", got)
		}
		time.Sleep(time.Minute)
		if got := p.went("post"); count(got, "ALERT N0QRA-10: the clock is wrong, nothing comes in from other gateways until it is set (2m)") != 1 {
			t.Errorf("told %q", got)
		}
		if got := p.bridge.ClockDoubt(); !strings.Contains(got, "time server") {
			t.Errorf("in doubt: %q", got)
		}
	})
}

func TestFillingDiskIsTold(t *testing.T) {
	const mib = 1 << 20
	var free, used atomic.Int64
	free.Store(1000 * mib)
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.shut()
		w.disk = func() (queue.Room, bool) {
			return queue.Room{Free: free.Load(), Least: 64 * mib, Used: used.Load(), Most: 2000 * mib}, true
		}
		w.start()
		time.Sleep(10 * time.Minute)
		w.tells()
		free.Store(250 * mib)
		time.Sleep(2 * time.Minute)
		w.tells("ALERT N0QRZ-10: the disk is filling (1m)")
		for range 30 { // around the limit
			free.Store(300 * mib)
			time.Sleep(time.Minute)
			free.Store(250 * mib)
			time.Sleep(time.Minute)
		}
		w.tells()
		free.Store(400 * mib)
		time.Sleep(11 * time.Minute)
		w.tells("OK N0QRZ-10: the disk has room again after 1h02m")
		used.Store(1700 * mib)
		time.Sleep(2 * time.Hour)
		if got := w.alerts(); len(got) != 1 {
			t.Errorf("the store's own limit: told %q", got)
		}
	})
}

// Who was told that nobody had confirmed an emergency hears how it ended; of one
// that fails everybody hears at once.
func TestEmergencyIsToldToItsEnd(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "EMERGENCY help")
		time.Sleep(10 * time.Minute)
		w.tells("EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY help", "EMERGENCY from N0QRA-7 to N0QRB-9 NOT CONFIRMED after 5m0s: EMERGENCY help")
		w.restart()
		time.Sleep(time.Hour)
		w.tells()
		w.beacon("hill", "N0QRB-9")
		var f = w.gets("hill", soon)
		for len(w.links["hill"].Sent()) > 0 {
			f = <-w.links["hill"].Sent()
		}
		w.ack("hill", f)
		time.Sleep(time.Minute)
		w.tells(`OK: the EMERGENCY from N0QRA-7 to N0QRB-9 is delivered now: "EMERGENCY help"`)

		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "EMERGENCY fire")
		f = w.gets("hill", soon)
		w.hears("hill", message.Message{Kind: message.Receipt, From: "N0QRB-9", To: "N0QRA-7", Acks: f.ID, Nak: true})
		time.Sleep(time.Minute)
		got := w.alerts()
		if len(got) != 2 || !strings.HasPrefix(got[1], "EMERGENCY from N0QRA-7 to N0QRB-9 NOT DELIVERED (") {
			t.Errorf("told %q", got)
		}
		w.says("valley", "N0QRA-7", "N0QRB-9", "3", "EMERGENCY flood") // confirmed at once
		w.ack("hill", w.gets("hill", soon))
		time.Sleep(time.Hour)
		w.tells("EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY flood")
	})
}

// A crash between taking an emergency over and telling of it swallows nothing.
func TestEmergencyOfTheLastRunIsTold(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		w.shut()
		s, err := boltstore.Open(filepath.Join(w.dir, "queue.db"), boltstore.Options{NoSync: true, MinFree: -1})
		if err != nil {
			t.Fatal(err)
		}
		v, err := cbor.Marshal(map[int]string{1: "N0QRA-7", 2: "N0QRB-9", 3: "EMERGENCY help"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Apply(t.Context(), queue.Op{Put: map[string][]byte{"alarm/00": v}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		w.start()
		time.Sleep(time.Minute)
		w.tells("EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY help")
		w.restart()
		time.Sleep(time.Minute)
		w.tells()
	})
}

// Nothing is left to be told of after an emergency, repeated or not.
func TestEmergencyLeavesNothingToTell(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		for i := range 2 {
			for range 3 {
				w.says("valley", "N0QRA-7", "N0QRB-9", fmt.Sprint(i), fmt.Sprint("EMERGENCY ", i))
			}
		}
		time.Sleep(time.Minute)
		w.tells("EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY 0", "EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY 1")
		left, err := w.store.Settings(t.Context(), "alarm/")
		if err != nil || len(left) != 0 {
			t.Errorf("%v, %v", left, err)
		}
	})
}

// Who is in trouble does not think of call signs: people hear of it whatever is
// wrong with the address, once.
func TestAnEmergencyWithAWrongAddressIsToldToPeople(t *testing.T) {
	inWorld(t, []string{ops}, func(t *testing.T, w *world) {
		const why = "EMERGENCY from N0QRA-7 NOT TAKEN (begin with a call sign or mail address): EMERGENCY help at the hut"
		w.says("valley", "N0QRA-7", "POST", "1", "EMERGENCY help at the hut")
		w.tells(why)
		if f := w.gets("valley", soon); !strings.HasPrefix(f.Message.Text, "not taken: ") {
			t.Errorf("its writer was told %q", f.Message.Text)
		}
		w.says("valley", "N0QRA-7", "POST", "1", "EMERGENCY help at the hut") // the radio sends it again
		w.silent("post", time.Minute)
		w.says("valley", "N0QRC-7", "", "1", "EMERGENCY on the channel")
		w.tells("EMERGENCY from N0QRC-7 NOT TAKEN (no call sign, group or mail address: check the address): EMERGENCY on the channel")
		w.gets("valley", soon) // here its writer is told, too
		for _, text := range []string{"help", "EXERCISE EMERGENCY help", "TEST EMERGENCY help"} {
			w.says("valley", "N0QRE-7", "nowhere", text, text)
		}
		w.says("valley", "N0CALL", "nowhere", "4", "EMERGENCY help")
		w.silent("post", time.Minute)
	})
}

// Exercise traffic raises no alarm, however it is addressed.
func TestAnEmergencyOfAnExerciseWithAWrongAddressIsToldToNobody(t *testing.T) {
	inWorld(t, []string{ops, "POSTHOUSE_EXERCISE=storm"}, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "POST", "1", "EMERGENCY help")
		w.silent("post", time.Minute)
		w.says("valley", "N0QRA-7", "POST", "2", "REAL EMERGENCY help")
		w.tells("EMERGENCY from N0QRA-7 NOT TAKEN (begin with a call sign or mail address): REAL EMERGENCY help")
	})
}
