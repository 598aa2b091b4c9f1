package bridge_test

import (
	"fmt"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// triesInVain has a station hand a text in that the failing disk does not take.
func (w *world) triesInVain(times int, from, to, text string) {
	w.t.Helper()
	w.broken.Store(true)
	defer w.broken.Store(false)
	for range times {
		m := message.Message{Kind: message.Text, From: from, To: to, OriginID: "1", Text: text}
		if _, err := w.links["valley"].Hear(w.t.Context(), m); err == nil {
			w.t.Fatal("a text was taken over that is not on disk")
		}
	}
}

func TestTriesOnAFailingDiskUseUpNoAllowance(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=3/10m"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.triesInVain(20, "N0QRA-7", "N0QRB-9", "hello")
		for i := range 4 {
			v := w.says("valley", "N0QRA-7", "N0QRB-9", fmt.Sprint(i), fmt.Sprint("hello ", i))
			if want := i == 3; want != (v.Code == link.CodeTooMany) {
				t.Errorf("text %d: %+v", i, v)
			}
		}
		w.triesInVain(20, "N0QRC-7", "ALL", "EMERGENCY house on fire")
		for i := range 4 {
			v := w.says("valley", "N0QRC-7", "ALL", fmt.Sprint(i), fmt.Sprint("EMERGENCY house on fire ", i))
			if want := i < 3; want != (w.record(v.ID).Message.Precedence == message.Emergency) {
				t.Errorf("emergency %d goes as %v", i, w.record(v.ID).Message.Precedence)
			}
		}
	})
}

// Of each refusal that could not be written down its writer is told once it can.
func TestNoticesThatAreNotOnDiskDoNotCount(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		const sealed = "-----BEGIN PGP MESSAGE-----"
		w.triesInVain(20, "N0QRA-7", "N0QRB-9", sealed)
		if v := w.says("valley", "N0QRA-7", "N0QRB-9", "1", sealed); v.Code == "" {
			t.Fatalf("%+v", v)
		}
		if f := w.gets("valley", time.Minute); f.Message.Kind != message.Notice {
			t.Errorf("alder was sent %s", show(f))
		}
	})
}
