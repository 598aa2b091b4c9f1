package bridge_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// fills writes texts until the store refuses them as full.
func (w *world) fills() {
	w.t.Helper()
	for i := range 20000 {
		v, err := w.links["post"].Hear(w.t.Context(), message.Message{
			Kind: message.Text, From: "ann@club.example", SenderCall: "N0QRA", To: "N0QRX-9", OriginID: fmt.Sprint("fill ", i), Text: long(1500)[:400] + fmt.Sprint(i),
		})
		switch {
		case err != nil:
			w.t.Fatal(err)
		case v.Code == link.CodeFull:
			return
		case v.Code != "":
			w.t.Fatalf("%+v", v)
		}
	}
	w.t.Fatal("the store is never full")
}

func TestFullStoreTakesWhatFreesItAndEmergencies(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=10000/1s", "POSTHOUSE_ALERT_TO=N0QRQ-9"}, func(t *testing.T, w *world) {
		w.room = 4 << 20
		w.restart()
		w.beacon("hill", "N0QRB-9")
		waiting := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		w.fills()
		for i := range 100 { // ahead of the receipt that frees the store
			if v := w.says("valley", "N0QRA-7", "ALL", fmt.Sprint("more ", i), long(100)+fmt.Sprint(i)); v.Code != link.CodeFull {
				t.Fatalf("text %d: %+v", i, v)
			}
		}
		w.ack("hill", f)
		if r := w.record(waiting.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
		w.want(w.gets("valley", soon), "receipt N0QRB-9>N0QRA-7 1")
		v := w.says("valley", "N0QRC-7", "ALL", "e", "EMERGENCY house on fire")
		if v.Code != "" {
			t.Errorf("emergency: %+v", v)
		}
		w.want(w.gets("hill", soon), "text N0QRC-7>ALL EMERGENCY house on fire")
		if v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello"); !v.Duplicate {
			t.Errorf("what is there already: %+v", v)
		}
		if n := w.metric(`posthouse_messages_refused_total`, "rule", "full"); n < 101 {
			t.Errorf("%v refusals counted", n)
		}
	})
}

// Texts, an emergency beyond the reserve and a receipt come in one step: the
// receipt is taken whatever else is not.
func TestReceiptGetsInBesideWhatHasNoRoom(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=10000/1s"}, func(t *testing.T, w *world) {
		w.room = 4 << 20
		w.restart()
		w.beacon("hill", "N0QRB-9")
		waiting := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		w.fills()
		for i := range 20000 { // the reserve, too
			m := message.Message{Kind: message.Text, From: fmt.Sprintf("N%dQRA", i%10), To: "ALL", OriginID: fmt.Sprint(i), Precedence: message.Emergency, Text: long(1000) + fmt.Sprint(i)}
			m.From = fmt.Sprintf("N%dQ%c%c", i%10, 'A'+i/10%26, 'A'+i/260%26)
			v, err := w.links["valley"].Hear(t.Context(), m)
			if err != nil {
				t.Fatal(err)
			}
			if v.Code == link.CodeFull {
				break
			}
		}
		if w.store.Stats().Bytes == 0 {
			t.Fatal("nothing stored")
		}
		w.ack("hill", f)
		if r := w.record(waiting.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
		time.Sleep(time.Second)
	})
}

// A disk that is full may have room for nothing, not even for an acknowledgement. Then that
// is not confirmed, so that whoever brings it keeps it and brings it again.
func TestAnAckForWhichThereIsNoRoomIsNotConfirmed(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		waiting := w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		f := w.gets("hill", soon)
		w.packed.Store(true)
		if _, err := w.links["hill"].Ack(t.Context(), f); err == nil {
			t.Error("the ack was confirmed")
		}
		if v := w.says("valley", "N0QRC-7", "ALL", "e", "EMERGENCY house on fire"); v.Code != link.CodeFull {
			t.Errorf("emergency: %+v", v)
		}
		w.packed.Store(false)
		w.ack("hill", f)
		if r := w.record(waiting.ID); r.Outcome != queue.Delivered {
			t.Errorf("outcome %q", r.Outcome)
		}
	})
}

// TestFrameIDsThatCannotBeWrittenDown: nothing of a batch goes out whose frame ids
// are not on disk, and all of it goes once they can be.
func TestFrameIDsThatCannotBeWrittenDown(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9", "N0QRC-9")
		w.links["hill"].Down("")
		long := strings.Repeat(", more of it than one frame takes", 5) // what fits in one has its id when it is taken over
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "one lane"+long)
		w.says("valley", "N0QRA-7", "N0QRC-9", "2", "another lane"+long)
		w.broken.Store(true)
		w.links["hill"].Up()
		w.silent("hill", time.Second)
		w.broken.Store(false)
		for range 4 {
			w.gets("hill", time.Minute)
		}
	})
}
