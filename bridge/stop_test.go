package bridge_test

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/link"
	"posthouse/queue"
)

func TestBlockEndsWhatIsQueuedAlreadyAndForGood(t *testing.T) {
	for name, pattern := range map[string]string{"the sender": "N0QRA", "the addressee": "N0QRB-9"} {
		t.Run(name, func(t *testing.T) {
			inWorld(t, nil, func(t *testing.T, w *world) {
				w.beacon("hill", "N0QRB-9")
				w.links["hill"].Down("")
				ready := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "ready")
				w.links["hill"].Up()
				later := w.says("valley", "N0QRA-7", "N0QRB-9", "2", "waits for its ack")
				w.gets("hill", soon)
				w.gets("hill", soon)
				held := w.says("valley", "N0QRA-7", "N0QRC-9", "3", "held")
				w.links["hill"].Down("")
				down := w.says("valley", "N0QRA-7", "N0QRB-9", "4", "behind a dead link")
				if err := w.bridge.Block(t.Context(), pattern, "jamming", "N0QRA"); err != nil {
					t.Fatal(err)
				}
				time.Sleep(10 * time.Second)
				for _, v := range []link.Verdict{ready, later, down} {
					if r := w.record(v.ID); r.Outcome != queue.Failed || r.Deliveries[0].Code != link.CodeBlocked {
						t.Errorf("%q is %q (%s)", r.Message.Text, r.Outcome, r.Deliveries[0].Code)
					}
				}
				for _, v := range []link.Verdict{ready, later, down} { // the log and the metrics have it, too
					if line := "msg=failed link=hill id=" + v.ID + " from=N0QRA-7 to=N0QRB-9 rule=blocked err="; strings.Count(w.log.String(), line) != 1 {
						t.Errorf("the log has no line %q, or several", line)
					}
				}
				failed := map[string]float64{"N0QRA": 4, "N0QRB-9": 3}[pattern]
				if n := w.metric("posthouse_deliveries_total", "result", "failed"); n != failed {
					t.Errorf("%v failed by the metrics, want %v", n, failed)
				}
				if r := w.record(held.ID); (r.Outcome == queue.Failed) != (pattern == "N0QRA") {
					t.Errorf("held: %q", r.Outcome)
				}
				if err := w.bridge.Unblock(t.Context(), pattern, "N0QRA"); err != nil {
					t.Fatal(err)
				}
				w.links["hill"].Up()
				w.silent("hill", time.Hour)
			})
		})
	}
}

func TestBlockHoldsWithinAnOngoingBatch(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["hill"].FailNext(link.RetryAfter(time.Minute, errText("busy")))
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		synctest.Wait()
		if err := w.bridge.Block(t.Context(), "N0QRA", "", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		w.silent("hill", time.Hour)
		w.silent("valley", time.Second) // who is blocked hears nothing of it
	})
}

func TestQuietStopsBetweenTwoSends(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		resume := w.links["hill"].Stall()
		for i := range 5 {
			w.says("valley", "N0QRA-7", "ALL", string(rune('a'+i)), "text "+string(rune('a'+i)))
			synctest.Wait() // the first is on its way
		}
		if err := w.bridge.Quiet(t.Context(), "all", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		resume()
		time.Sleep(time.Second)
		synctest.Wait()
		n := len(w.links["hill"].Sent())
		if n > 1 { // the one that was on its way
			t.Errorf("%d frames went out after quiet", n)
		}
		for range n {
			w.gets("hill", soon)
		}
		w.silent("hill", time.Hour)
		if err := w.bridge.Resume(t.Context(), "all", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		for range 5 - n {
			w.gets("hill", soon)
		}
		w.silent("hill", time.Hour)
	})
}

func TestInNeverSends(t *testing.T) {
	env := []string{"POSTHOUSE_HILL_DIRECTION=in", "POSTHOUSE_APRS_DIRECTION=in", "POSTHOUSE_ALERT_TO=N0QRB-9"}
	inWorld(t, env, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "hello")
		w.says("hill", "N0QRB-9", "ann@club.example", "3", "hello") // a receipt is due
		w.gets("post", soon)
		w.says("hill", "N0QRB-9", "ann@club.example", "3", "hello") // again
		w.says("hill", "N0QRB-9", "POST", "4", "to nobody")         // a notice is due
		w.says("hill", "N0QRB-9", "N0QRC-9", "5", "EMERGENCY held") // a notice and alerts are due
		w.where("hill", "N0QRB-9", 46.5, -122.9)
		w.silent("hill", 30*time.Hour)
		w.silent("aprs", time.Second)
	})
}

// An entry that can match nobody is a slip: it would block nobody, and look as if
// it did.
func TestABlockNamesSomebody(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for _, pattern := range []string{"N0QR?", "[", "N0QRA|N0QRB", "N0QR[AB]*", "node4711", "N0QRA-", "spam.example"} {
			if err := w.bridge.Block(t.Context(), pattern, "", "N0QRA"); !errors.Is(err, desk.ErrUsage) {
				t.Errorf("block %q: %v, want a refusal", pattern, err)
			}
		}
		for _, pattern := range []string{"N0QRA", "n0qra-7", "N0QRA/P", "N0QRA*", "*-9", "ALL", "ann@club.example", "*@spam.example"} {
			if err := w.bridge.Block(t.Context(), pattern, "", "N0QRA"); err != nil {
				t.Errorf("block %q: %v", pattern, err)
			}
		}
	})
}

// A slip of the shell (an unquoted *) must not end everything that waits.
func TestNobodyBlocksEverybody(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "waits")
		for _, pattern := range []string{"*", "**", "", "N0QRZ-10", "n0qrz", "N0QR*", "*-10"} { // the last ones are the gateway's own
			if err := w.bridge.Block(w.t.Context(), pattern, "", "N0QRA"); err == nil {
				t.Errorf("%q was blocked", pattern)
			}
		}
		if r := w.record(v.ID); !r.Open() {
			t.Errorf("what waited has ended as %s", r.Outcome)
		}
	})
}

// Case does not matter in a pattern, so it must not matter in taking it back.
func TestABlockIsTakenBackInAnyCase(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for _, c := range []struct{ block, again, unblock string }{
			{"n0qrd", "N0QRD", "N0qrd"},
			{"*@Spam.example", "*@spam.example", "*@SPAM.EXAMPLE"},
		} {
			for _, pattern := range []string{c.block, c.again} {
				if err := w.bridge.Block(t.Context(), pattern, "", "N0QRA"); err != nil {
					t.Fatal(err)
				}
			}
			if list := w.bridge.Blocks(); len(list) != 1 || list[0].Pattern != c.again {
				t.Errorf("%s twice makes the list %+v", c.block, list)
			}
			if err := w.bridge.Unblock(t.Context(), c.unblock, "N0QRA"); err != nil {
				t.Errorf("unblock %s: %v", c.unblock, err)
			}
			if list := w.bridge.Blocks(); len(list) != 0 {
				t.Errorf("still on the list: %+v", list)
			}
		}
	})
}
