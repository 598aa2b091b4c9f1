package bridge_test

import (
	"cmp"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// reportTo is the id that the bounce address of a mail carries.
func reportTo(f link.Frame) string { return cmp.Or(f.ID, f.Record) }

// bounce has a mail server report that it could not deliver a mail (RFC 3464).
func (w *world) bounce(id, from string) {
	w.t.Helper()
	w.hears("post", message.Message{Kind: message.Receipt, From: from, To: gateway, Acks: id, Nak: true, Text: "5.1.1 no such user"})
}

func (w *world) wantNotThere(id string) {
	w.t.Helper()
	w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRA-7 not delivered to ann@club.example: 5.1.1 no such user. "all well"`)
	w.want(w.gets("valley", soon), "receipt ann@club.example>N0QRA-7 7 nak")
	if r := w.record(id); r.Outcome != queue.Failed {
		w.t.Errorf("outcome %q", r.Outcome)
	}
}

func TestAMailThatComesBackIsTold(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "ann@club.example", "7", "all well")
		f := w.gets("post", soon)
		w.want(w.gets("valley", soon), "receipt ann@club.example>N0QRA-7 7")
		w.bounce(gateway+".999999", "ann@club.example")
		w.silent("valley", time.Minute)
		w.bounce(reportTo(f), "ann@club.example")
		w.wantNotThere(v.ID)
		w.bounce(reportTo(f), "ann@club.example")
		w.silent("valley", time.Hour)
	})
}

// A server that says "later" until the lifetime ends (greylisting, a full mailbox) has
// not got the mail, however often it was tried.
func TestAMailThatNobodyTookIsToldAsThat(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_POST_LIFETIME=1h"}, func(t *testing.T, w *world) {
		w.links["post"].FailNext(slices.Repeat([]error{link.RetryAfter(10*time.Minute, errors.New("450 greylisted"))}, 20)...)
		w.says("valley", "N0QRA-7", "ann@club.example", "7", "all well")
		w.want(w.gets("valley", 2*time.Hour), `notice N0QRZ-10>N0QRA-7 not delivered to ann@club.example: expired (450 greylisted). "all well"`)
	})
}

// The address may forward its mail, and servers change the case of addresses, or
// leave them out of their reports: the bounce address tells which mail it was.
func TestAMailThatComesBackFromAnotherAddressIsTold(t *testing.T) {
	for from, want := range map[string]string{
		"ANN@club.example": "5.1.1 no such user",
		"":                 "5.1.1 no such user",
		"ann@home.example": "ann@home.example: 5.1.1 no such user",
	} {
		t.Run(from, func(t *testing.T) {
			inWorld(t, nil, func(t *testing.T, w *world) {
				w.says("valley", "N0QRA-7", "ann@club.example", "7", "all well")
				f := w.gets("post", soon)
				w.want(w.gets("valley", soon), "receipt ann@club.example>N0QRA-7 7")
				synctest.Wait() // or the courier, which is about to look behind it, may find the next one there first
				w.bounce(reportTo(f), from)
				got := []string{show(w.gets("valley", soon)), show(w.gets("valley", soon))} // two lanes, in either order
				slices.Sort(got)
				all := []string{`notice N0QRZ-10>N0QRA-7 not delivered to ann@club.example: ` + want + `. "all well"`, "receipt ann@club.example>N0QRA-7 7 nak"}
				if !slices.Equal(got, all) {
					t.Errorf("got %q\nwant %q", got, all)
				}
			})
		})
	}
}

// Of a text to a group several mails go out, and a report that names none of the
// addresses says nothing of any.
func TestAGroupsMailThatComesBack(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_POST_GROUPS=ALL", "POSTHOUSE_POST_GROUP_TO=ann@club.example,bob@club.example"}, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "ALL", "7", "all well")
		f := w.gets("post", soon)
		w.gets("post", soon)
		failed := func() (who []string) {
			for _, d := range w.record(v.ID).Deliveries {
				if d.State == queue.Failed {
					who = append(who, d.To)
				}
			}
			return who
		}
		w.bounce(reportTo(f), "cid@home.example")
		if who := failed(); who != nil {
			t.Errorf("%v failed, and nobody knows who did", who)
		}
		w.bounce(reportTo(f), "Bob@club.example")
		if who := failed(); !slices.Equal(who, []string{"bob@club.example"}) {
			t.Errorf("%v failed, and bob@club.example did", who)
		}
	})
}

// A server that does not know the user reports it in the moment in which it has
// taken the mail, maybe before it is filed that it has.
func TestAMailMayComeBackBeforeItsSendingIsFiled(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		resume := w.links["post"].Stall()
		v := w.says("valley", "N0QRA-7", "ann@club.example", "7", "all well")
		synctest.Wait()
		w.broken.Store(true)
		resume()
		f := w.gets("post", soon)
		synctest.Wait() // filing it has failed
		w.broken.Store(false)
		w.bounce(reportTo(f), "ann@club.example")
		w.wantNotThere(v.ID)
		w.silent("valley", time.Hour)
		w.silent("post", time.Second)
	})
}
