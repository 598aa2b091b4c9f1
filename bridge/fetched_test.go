package bridge_test

import (
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// Nobody waits for the answer to a mail that was fetched from a mailbox, so its
// writer is told in a mail; a mail server hears it in its own dialogue.
func TestWriterOfAFetchedMailIsToldOfARefusal(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		mail := message.Message{
			Kind: message.Text, From: "ann@club.example", SenderCall: "N0QRC", To: "N0QRA-7", OriginID: "1", Text: "two cans",
			Unfit: &message.Unfit{Code: link.CodeLooksEncrypted, Why: "the mail is encrypted"},
		}
		w.hears("post", mail)
		w.silent("post", time.Minute)

		mail.OriginID, mail.Fetched = "2", true
		w.hears("post", mail)
		w.want(w.gets("post", soon), `notice `+gateway+`>ann@club.example not taken: the mail is encrypted (looks-encrypted).`)
		w.hears("post", mail)
		w.silent("post", time.Minute) // told once
	})
}

// Whoever has a copy of a signed mail can hand it in again, until it is too old.
func TestAMailIsTheSameForItsWholeLifetime(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("valley", "N0QRA-7")
		w.says("post", "ann@club.example", "N0QRA-7", "m1", "good to hear")
		w.ack("valley", w.gets("valley", soon))
		time.Sleep(100 * time.Hour)
		w.beacon("valley", "N0QRA-7")
		if v := w.says("post", "ann@club.example", "N0QRA-7", "m1", "good to hear"); !v.Duplicate {
			t.Errorf("answered %+v", v)
		}
		w.silent("valley", time.Hour)
	})
}
