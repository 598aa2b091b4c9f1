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
	"posthouse/queue"
)

const soon = 10 * time.Second

func TestMeshToMeshWithReceipt(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "4f2a", "hello")
		if v.Code != "" || v.ID == "" {
			t.Fatalf("verdict %+v", v)
		}
		f := w.gets("hill", soon)
		w.want(f, "text N0QRA-7>N0QRB-9 hello")
		w.silent("valley", soon) // no receipt before the addressee acknowledged
		w.ack("hill", f)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 4f2a")
		if r := w.record(v.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

func TestRepeatBeforeAndAfterTheReceipt(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		if v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello"); !v.Duplicate || v.Code != link.CodeDuplicate {
			t.Errorf("a repeat before the receipt: %+v", v)
		}
		w.silent("valley", soon)
		w.ack("hill", f)
		w.gets("valley", soon)
		time.Sleep(31 * time.Second)
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.silent("valley", 20*time.Second) // at most every 30 s
		w.silent("hill", time.Second)
	})
}

func TestSameIDWithAnotherTextIsAnotherMessage(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "first")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "second")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 first")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 second")
	})
}

// A bridge of somebody else's that brings a frame of ours back brings its words; a
// station that numbers with five characters may come upon the same id by itself.
func TestAnIDLikeThatOfAFrameIsNoFrame(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "did they get there")
		f := w.gets("hill", soon)
		w.want(f, "text N0QRA-7>N0QRB-9 did they get there")
		w.ack("hill", f)
		w.gets("valley", soon)
		for _, back := range []string{"did they get there", "relay: did they get there", "they get there"} {
			if v := w.says("valley", "N0QRA-7", "N0QRB-9", f.ID, back); v.Code != link.CodeLooped {
				t.Errorf("%q under the id of the frame: %+v", back, v)
			}
		}
		if v := w.says("valley", "N0QRA-7", "N0QRB-9", f.ID, "bring the tent"); v.Refused() {
			t.Fatalf("another text under that id: %+v", v)
		}
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 bring the tent")
	})
}

// What comes ever again under new ids like those of frames may go round over bridges of
// somebody else's. It ends, and in case it was meant its writer hears so.
func TestTheSameWordsUnderEverNewFrameIDs(t *testing.T) {
	for _, text := range []string{"all ok", "EMERGENCY all is lost"} {
		inWorld(t, nil, func(t *testing.T, w *world) {
			w.beacon("hill", "N0QRB-9")
			for i := range 5 {
				for range 2 { // a radio repeats what has no ack yet
					v := w.says("valley", "N0QRA-7", "N0QRB-9", fmt.Sprintf("aaaa%d", i), text)
					if want := i == 4; want != (v.Code == link.CodeTooMany) || !want && v.Refused() && !v.Duplicate {
						t.Fatalf("%q for the %d. time: %+v", text, i+1, v)
					}
				}
				if i < 4 {
					w.ack("hill", w.gets("hill", soon))
					w.want(w.gets("valley", soon), fmt.Sprintf("receipt N0QRB-9>N0QRA-7 aaaa%d", i))
				}
			}
			w.want(w.gets("valley", soon), "notice N0QRZ-10>N0QRA-7 not taken: the same again and again, wait some minutes (too-many). \""+text+"\"")
			w.silent("hill", time.Minute)
			time.Sleep(10 * time.Minute)
			if v := w.says("valley", "N0QRA-7", "N0QRB-9", "aaaa5", text); v.Refused() {
				t.Errorf("ten minutes later: %+v", v)
			}
		})
	}
}

// A text that a failing disk did not take comes again under its own id: it goes round nowhere.
func TestWhatCouldNotBeTakenOverMayComeAgain(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.broken.Store(true)
		for range 6 {
			if _, err := w.links["valley"].Hear(t.Context(), message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "aaaa1", Text: "all ok"}); err == nil {
				t.Fatal("confirmed by a broken disk")
			}
		}
		w.broken.Store(false)
		w.says("valley", "N0QRA-7", "N0QRB-9", "aaaa1", "all ok")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 all ok")
	})
}

func TestResendThenHeldThenOneRoundEachTimeHeard(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		first := w.gets("hill", soon)
		second := w.gets("hill", 100*time.Second)
		third := w.gets("hill", 200*time.Second)
		if first.ID == "" || first.ID != second.ID || second.ID != third.ID {
			t.Errorf("frame ids differ: %q %q %q", first.ID, second.ID, third.ID)
		}
		w.silent("hill", time.Hour)
		if d := w.record(v.ID).Deliveries[0]; d.State != queue.Held {
			t.Fatalf("state %s after three tries without ack", d.State)
		}
		w.beacon("hill", "N0QRB-9")
		again := w.gets("hill", soon)
		if again.ID != first.ID {
			t.Errorf("frame id %q, before %q", again.ID, first.ID)
		}
		w.ack("hill", again)
		for range 2 { // the notice that it was held comes before the receipt
			if f := w.gets("valley", soon); f.Message.Kind == "receipt" {
				w.want(f, "receipt N0QRB-9>N0QRA-7 1")
			}
		}
	})
}

func TestUnheardWaitsUntilHeardAndWriterIsTold(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "are you there")
		w.silent("hill", time.Minute)
		w.want(w.gets("valley", 5*time.Minute), `notice N0QRZ-10>N0QRA-7 held: N0QRB-9 never heard. Goes out when heard. "are you there"`)
		w.beacon("hill", "N0QRB-9")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 are you there")
	})
}

func TestHeldSurvivesARestartAndExpires(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "are you there")
		w.gets("valley", 6*time.Minute)
		w.restart()
		f := w.gets("valley", 25*time.Hour)
		w.want(f, `notice N0QRZ-10>N0QRA-7 not delivered to N0QRB-9: expired. "are you there"`)
		if r := w.record(v.ID); r.Outcome != queue.Expired {
			t.Errorf("outcome %q", r.Outcome)
		}
		w.silent("valley", time.Hour)
	})
}

func TestGroupGoesToTheOtherLinksOnceAndIsSent(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "ALL", "1", "net at eight")
		w.want(w.gets("hill", soon), "text N0QRA-7>ALL net at eight")
		w.silent("hill", time.Hour)
		w.silent("valley", time.Second)
		w.silent("aprs", time.Second)
		if r := w.record(v.ID); r.Outcome != queue.Sent {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

func TestMeshToMailAndBack(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "ann@club.example", "7", "all well")
		f := w.gets("post", soon)
		w.want(f, "text N0QRA-7>ann@club.example all well")
		w.want(w.gets("valley", soon), "receipt ann@club.example>N0QRA-7 7") // the smarthost's 250 is the receipt
		if !w.bridge.MayAnswer("Ann <ann@club.example>", "n0qra-7", time.Hour) {
			t.Error("ann may not answer")
		}
		v := w.says("post", "ann@club.example", "N0QRA-7", "<m1@club.example>", "good to hear")
		if v.Refused() {
			t.Fatalf("%+v", v)
		}
		w.want(w.gets("valley", soon), "text ann@club.example>N0QRA-7 good to hear")
	})
}

// Without a smarthost no mail goes out: nothing is made that could only fail.
func TestMailThatOnlyComesIn(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.cfg.Links.Find("post").Mail.Smarthost = ""
		w.restart()
		w.beacon("valley", "N0QRA-7")
		v := w.says("post", "ann@club.example", "N0QRA-7", "<m1@club.example>", "two cans, by noon")
		w.ack("valley", w.gets("valley", soon))
		w.silent("post", time.Minute)
		if r := w.record(v.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
		if n := w.store.Stats().Records; n != 1 {
			t.Errorf("%d records, want only the mail's: its writer cannot be told", n)
		}
		if v := w.says("valley", "N0QRA-7", "ann@club.example", "7", "they are here"); v.Code != link.CodeNoRoute {
			t.Errorf("a text to a mail address: %+v, want it refused", v)
		}
	})
}

// A portable mark does not fit into an AX.25 address. Its writer is somebody, and hears
// why the text goes nowhere; of N0CALL nobody is known.
func TestWriterHearsThatAPRSCannotCarryACallSign(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRB-9")
		for i, from := range []string{"N0QRA/P", "N0CALL-7", "4711"} {
			if v := w.says("valley", from, "N0QRB-9", fmt.Sprint(i), "hello"); v.Code != link.CodeNoCallsign {
				t.Errorf("from %s: %+v, want no-callsign", from, v)
			}
		}
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA/P not taken: APRS cannot carry the call sign N0QRA/P (no-callsign). "hello"`)
		w.silent("valley", time.Minute)
	})
}

func TestPhoneThatKnowsOnlyItsOwnMesh(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_ALIASES=EOC=eoc@county.example"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", gateway, "1", "N0QRB-9 meet at noon")
		f := w.gets("hill", soon)
		w.want(f, "text N0QRA-7>N0QRB-9 meet at noon")
		w.ack("hill", f)
		w.want(w.gets("valley", soon), "receipt N0QRZ-10>N0QRA-7 1") // in the name that the writer wrote to
		w.says("hill", "N0QRB-9", "POST", "2", "on my way")
		w.want(w.gets("valley", soon), "text N0QRB-9>N0QRA-7 on my way") // answers the last that it was given
		w.says("valley", "N0QRA-7", "POST", "3", "EOC: road closed")
		w.want(w.gets("post", soon), "text N0QRA-7>eoc@county.example road closed")
		if v := w.says("valley", "N0QRC-7", "POST", "4", "hello who is there"); v.Code != link.CodeNoRoute {
			t.Errorf("no address and nothing to answer: %+v", v)
		}
	})
}

func TestLocalTextIsLeftToTheStations(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello neighbour")
		w.silent("valley", time.Minute)
		w.ackHeard("valley", "N0QRB-9", "N0QRA-7", "1")
		w.silent("valley", time.Hour)
		if r := w.record(v.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

func TestLocalTextWithoutAckIsHeld(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello neighbour")
		time.Sleep(11 * time.Minute)
		w.beacon("hill", "N0QRB-9") // it has moved
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 hello neighbour")
	})
}

// The gateway has sent a held text itself, and does not know any more that it did.
func TestAckOfALocalTextThatWentOutBeforeItsMarkIsFiled(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello neighbour")
		w.gets("valley", 11*time.Minute) // that it is held
		resume := w.links["valley"].Stall()
		w.beacon("valley", "N0QRB-9")
		w.broken.Store(true)
		resume()
		f := w.gets("valley", soon)
		w.want(f, "text N0QRA-7>N0QRB-9 hello neighbour")
		synctest.Wait()
		w.broken.Store(false)
		w.ack("valley", f)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
	})
}

func TestQuietStopsAtOnceAndSurvivesARestart(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		if err := w.bridge.Quiet(t.Context(), "hill", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.silent("hill", time.Hour)
		w.restart()
		w.silent("hill", time.Hour)
		if err := w.bridge.Resume(t.Context(), "hill", "N0QRA"); err != nil {
			t.Fatal(err)
		}
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRB-9 010000Z hello") // old by now: with its filing time
	})
}

func TestDeadLinkDelaysNoOther(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["hill"].Down("cable cut")
		w.says("valley", "N0QRA-7", "ALL", "1", "to the hill")
		w.says("valley", "N0QRA-7", "ann@club.example", "2", "to the post")
		w.want(w.gets("post", soon), "text N0QRA-7>ann@club.example to the post")
		time.Sleep(time.Hour)
		w.links["hill"].Up()
		w.want(w.gets("hill", soon), "text N0QRA-7>ALL 010000Z to the hill")
	})
}

func TestPermanentErrorEndsAtOnceAndTheWriterIsTold(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["post"].FailNext(link.Permanent("smtp-550", errText("no such mailbox")))
		v := w.says("valley", "N0QRA-7", "nobody@club.example", "7", "hello")
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA-7 not delivered to nobody@club.example: no such mailbox. "hello"`)
		w.want(w.gets("valley", soon), "receipt nobody@club.example>N0QRA-7 7 nak")
		if r := w.record(v.ID); r.Outcome != queue.Failed {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

// A mail server may answer with thirty lines (RFC 5321 section 4.2.1): a radio is
// told the first words of them, not three frames full.
func TestLongReasonIsCutForARadio(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["post"].FailNext(link.Permanent("smtp-550", errText(strings.Repeat("no such user here, ", 30))))
		w.says("valley", "N0QRA-7", "nobody@club.example", "7", "hello")
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA-7 not delivered to nobody@club.example: `+
			`no such user here, no such user here, no such user here, no such user here, no s.... "hello"`)
	})
}

func TestTemporaryErrorIsRetriedAndKeepsTheOrder(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.links["post"].FailNext(errText("greylisted"))
		w.says("valley", "N0QRA-7", "ann@club.example", "1", "first")
		w.says("valley", "N0QRA-7", "ann@club.example", "2", "second")
		w.want(w.gets("post", time.Minute), "text N0QRA-7>ann@club.example first")
		w.want(w.gets("post", time.Minute), "text N0QRA-7>ann@club.example second")
	})
}

func TestPrecedenceGoesFirst(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.links["hill"].Down("")
		w.says("valley", "N0QRA-7", "ALL", "1", "routine words")
		w.says("valley", "N0QRC-7", "ALL", "2", "WELFARE I am safe")
		w.says("valley", "N0QRD-7", "ALL", "3", "PRIORITY bring water")
		w.says("valley", "N0QRE-7", "ALL", "4", "EMERGENCY house on fire")
		w.links["hill"].Up()
		for _, want := range []string{"EMERGENCY house on fire", "PRIORITY bring water", "WELFARE I am safe", "routine words"} {
			if f := w.gets("hill", soon); f.Text != want {
				t.Errorf("got %q, want %q", f.Text, want)
			}
		}
	})
}

func TestLongTextArrivesInPartsAndOnlyTheMissingPartIsSentAgain(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		long := ""
		for range 30 {
			long += "water is rising "
		}
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", long[:300])
		a, b, c := w.gets("hill", soon), w.gets("hill", soon), w.gets("hill", soon)
		if a.Parts != 3 || len(a.Text) > 140 {
			t.Fatalf("first part %d of %d, %d bytes", a.Part, a.Parts, len(a.Text))
		}
		w.ack("hill", a)
		w.ack("hill", c)
		again := w.gets("hill", 2*time.Minute)
		if again.ID != b.ID || again.Part != 2 {
			t.Fatalf("sent again: part %d", again.Part)
		}
		w.silent("valley", time.Second)
		w.ack("hill", again)
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
		if r := w.record(v.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

type errText string

func (e errText) Error() string { return string(e) }

func TestTheOperatorsOwnMessage(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		id, err := w.bridge.Send(w.t.Context(), desk.Draft{To: "n0qrb-9", Text: "net at eight", By: "N0QRA"})
		if err != nil {
			t.Fatal(err)
		}
		f := w.gets("hill", soon)
		w.want(f, "text N0QRZ-10>N0QRB-9 net at eight")
		w.ack("hill", f)
		if r := w.record(id); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
		if _, err := w.bridge.Send(w.t.Context(), desk.Draft{To: "N0QRB-9", Text: "\x1b[2J", By: "N0QRA"}); err == nil {
			t.Error("control characters of the operator's own were not refused")
		}
	})
}

// A text to the gateway itself, or to the placeholder, would wait a day for a
// station that nobody ever hears.
func TestWhoCannotBeReachedIsSaidAtOnce(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for _, to := range []string{"N0QRZ-10", "N0CALL", "n0call-7"} {
			if id, err := w.bridge.Send(w.t.Context(), desk.Draft{To: to, Text: "hello", By: "N0QRA"}); err == nil {
				t.Errorf("the operator's text to %s was taken as %s", to, id)
			}
			if v := w.says("valley", "N0QRA-7", "POST", "id-"+to, to+" hello"); v.Code != link.CodeNoRoute {
				t.Errorf("a text to %s: %+v, want no-route", to, v)
			}
			w.gets("valley", soon) // the notice
		}
	})
}

// Turned to capitals ſ is S and ı is I: a name would become somebody's call sign.
func TestWhatOnlyLooksLikeACallSignIsNobody(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for i, to := range []string{"n0qſa-7", "n0qrı", "N0Qſ"} {
			if v := w.says("valley", "N0QRA-7", to, fmt.Sprint(i), "hello"); v.Code != link.CodeNoRoute {
				t.Errorf("a text to %s: %+v, want no-route", to, v)
			}
			if v := w.says("valley", to, "N0QRA-7", fmt.Sprint(i), "hello"); v.Code != link.CodeNoCallsign {
				t.Errorf("a text from %s: %+v, want no-callsign", to, v)
			}
		}
	})
}

// Tries for a week at a broker that is away must not fill the log: only the port
// of our own side differs in what they say.
func TestALinkThatStaysDownIsSaidOnce(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		for _, port := range []string{"39282", "39298", "40001"} {
			w.links["hill"].Down("read tcp 127.0.0.1:" + port + "->127.0.0.1:1883: connection reset by peer")
		}
		if n := strings.Count(w.log.String(), "link is still down"); n != 0 {
			t.Errorf("said %d times more that nothing has changed", n)
		}
		w.links["hill"].Down("no such host")
		if n := strings.Count(w.log.String(), "link is still down"); n != 1 {
			t.Errorf("another reason was said %d times, want 1", n)
		}
	})
}

// What people say to everybody on their mesh's channel has no addressee. The
// gateway has nothing to do with it, and answers none of it on the air.
func TestTalkOnTheChannelIsNotAnswered(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		if v := w.says("valley", "N0QRA-7", "", "1", "good morning all"); v.Code != link.CodeNoRoute {
			t.Errorf("%+v, want no-route", v)
		}
		w.silent("valley", time.Minute)
		w.says("valley", "N0QRA-7", "nowhere", "2", "hello")
		w.gets("valley", soon) // a wrong address is told
	})
}

func TestPrecedenceWordBehindTheAddress(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "POST", "1", "N0QRB-9 REAL EMERGENCY broken leg")
		if p := w.record(v.ID).Message.Precedence; p != message.Emergency {
			t.Errorf("precedence %v behind the address", p)
		}
		v = w.says("valley", "N0QRA-7", "POST", "2", "PRIORITY N0QRB-9 bring water")
		if p := w.record(v.ID).Message.Precedence; p != message.Priority {
			t.Errorf("precedence %v before the address", p)
		}
	})
}

func TestThirdPartyMailStaysInTheCountry(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRB-9")
		w.links["post"].Hear(w.t.Context(), message.Message{Kind: message.Text, From: "kim@shop.example", ThirdParty: true, To: "N0QRB-9", OriginID: "1", Text: "hello"})
		w.silent("aprs", time.Minute) // people without a call sign never go to APRS
		w.beacon("valley", "N0QRA-7")
		w.links["post"].Hear(w.t.Context(), message.Message{Kind: message.Text, From: "kim@shop.example", ThirdParty: true, To: "N0QRA-7", OriginID: "2", Text: "hello"})
		w.want(w.gets("valley", soon), "text kim@shop.example>N0QRA-7 hello")
	})
}

// What an untrusted clock says of a new text's age would have the next gateway, whose
// clock is right, refuse it as too old.
func TestUntrustedClockDatesNoText(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.jumped.Store(int64(-20 * 365 * 24 * time.Hour))
		w.unsure.Store(true)
		w.restart()
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		if at := w.record(v.ID).Message.Filed; !at.IsZero() {
			t.Errorf("filed at %v", at)
		}
	})
}

// A mail to a station and to its alias is one mail to it, in whichever order its
// recipients come.
func TestMailToAStationAndItsAliasArrivesOnce(t *testing.T) {
	for _, to := range [][]string{{"TEAM3", "N0QRB-9"}, {"N0QRB-9", "TEAM3"}} {
		t.Run(to[0]+" first", func(t *testing.T) {
			inWorld(t, []string{"POSTHOUSE_ALIASES=TEAM3=N0QRB-9"}, func(t *testing.T, w *world) {
				w.beacon("hill", "N0QRB-9")
				first := w.says("post", "ann@club.example", to[0], "<m1@club.example>", "come home")
				if v := w.says("post", "ann@club.example", to[1], "<m1@club.example>", "come home"); !v.Duplicate || v.ID != first.ID {
					t.Errorf("to %s: %+v", to[1], v)
				}
				f := w.gets("hill", soon)
				w.want(f, "text ann@club.example>N0QRB-9 come home")
				w.ack("hill", f)
				w.silent("hill", 10*time.Minute)
				if f := w.gets("post", soon); f.Message.Kind != message.Notice || !strings.HasPrefix(f.Text, "delivered: "+to[0]+" acknowledged") {
					t.Errorf("its writer got %s", show(f))
				}
				w.silent("post", 10*time.Minute)
			})
		})
	}
}
