package bridge_test

import (
	"fmt"
	"os"
	"path/filepath"
	"posthouse/bridge/desk"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// listed gives the settings of a valley whose station list is the given lines.
func listed(t *testing.T, lines string, extra ...string) []string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "stations")
	if err := os.WriteFile(file, []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	return append(extra, "POSTHOUSE_VALLEY_STATIONS_FILE="+file)
}

func TestNobodyGetsRoundTheRules(t *testing.T) {
	env := listed(t, "4f2a N0QRA-7 Ann may=text\n4f2b N0QRC-7 Carl may=text,mail\n",
		"POSTHOUSE_BLOCK=bad@county.example,N0QRX", "POSTHOUSE_ALIASES=EOC=bad@county.example,POOR=N0QRX-9,TOWN=town@county.example")
	inWorld(t, env, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9", "N0QRX-9")
		for i, row := range []struct{ what, from, to, text, code string }{
			{"a text that may pass", "N0QRA-7", "N0QRB-9", "hello", ""},
			{"mail by who may not send mail", "N0QRA-7", "ann@club.example", "hello", link.CodeNotAllowed},
			{"the same by way of POST", "N0QRA-7", "POST", "ann@club.example hello", link.CodeNotAllowed},
			{"the same by way of the gateway", "N0QRA-7", gateway, "ann@club.example hello", link.CodeNotAllowed},
			{"the same by an alias", "N0QRA-7", "TOWN", "hello", link.CodeNotAllowed},
			{"mail by who may", "N0QRC-7", "POST", "ann@club.example hello", ""},
			{"a blocked address behind an alias", "N0QRC-7", "EOC", "hello", link.CodeBlocked},
			{"a blocked address behind POST", "N0QRC-7", "POST", "bad@county.example hello", link.CodeBlocked},
			{"a blocked station behind an alias", "N0QRC-7", "POOR", "hello", link.CodeBlocked},
			{"a mail address as writer on radio", "ann@club.example", "ALL", "hello", link.CodeNoCallsign},
			{"a line break in the address", "N0QRC-7", "ann@club.example\r\nBcc: all@club.example", "hello", link.CodeNotText},
			{"two addresses", "N0QRC-7", "ann@club.example,bob@club.example", "hello", link.CodeNoRoute},
			{"an address of a kilobyte", "N0QRC-7", strings.Repeat("a", 1200) + "@club.example", "hello", link.CodeNoRoute},
		} {
			if v := w.says("valley", row.from, row.to, fmt.Sprint(i), row.text); v.Code != row.code {
				t.Errorf("%s: %q (%s), want %q", row.what, v.Code, v.Why, row.code)
			}
		}
		if _, err := w.bridge.Send(t.Context(), desk.Draft{To: "EOC", Text: "hello", By: "N0QRA"}); err == nil {
			t.Error("the operator's own message to a blocked address behind an alias")
		}
	})
}

func TestUnknownStationsStayOnTheirMesh(t *testing.T) {
	env := listed(t, "4f2a N0QRA-7 Ann may=text,mail,position\n", "POSTHOUSE_VALLEY_UNKNOWN=local", "POSTHOUSE_UNHEARD=aprs")
	inWorld(t, env, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.beacon("valley", "N0QRE-9")
		if v := w.says("valley", "N0QRC-7", "N0QRB-9", "1", "to the other mesh"); v.Code != link.CodeNotAllowed {
			t.Errorf("another mesh: %+v", v)
		}
		if v := w.says("valley", "N0QRC-7", "ALL", "4", "to all of the other mesh"); v.Code != link.CodeNotAllowed {
			t.Errorf("a group on another mesh: %+v", v)
		}
		w.says("valley", "N0QRC-7", "POST", "5", "N0QRE-9 to the own mesh")
		w.want(w.gets("valley", soon), `notice N0QRZ-10>N0QRC-7 not taken: unlisted stations stay on the mesh (not-allowed). "to the other mesh"`)
		w.want(w.gets("valley", soon), "text N0QRC-7>N0QRE-9 to the own mesh")
		w.says("hill", "N0QRB-9", "N0QRC-7", "6", "an answer")
		w.ack("valley", w.gets("valley", soon))
		w.want(w.gets("hill", soon), "receipt N0QRC-7>N0QRB-9 6") // whom others wrote to may acknowledge
		w.silent("hill", time.Minute)
		if v := w.says("valley", "N0QRC-7", "ann@club.example", "2", "to a mail address"); v.Code != link.CodeNotAllowed {
			t.Errorf("mail: %+v", v)
		}
		if v := w.says("valley", "N0QRC-7", "N0QRD-9", "3", "to somebody unheard"); v.Code != link.CodeNotAllowed {
			t.Errorf("aprs: %+v", v)
		}
		w.where("valley", "N0QRC-7", 46.5, -122.9)
		w.silent("aprs", time.Minute)
		w.where("valley", "N0QRA-7", 46.5, -122.9)
		w.gets("aprs", soon)
	})
}

func TestUnknownStationsAreRefused(t *testing.T) {
	env := listed(t, "4f2a N0QRA-7 Ann may=text\n", "POSTHOUSE_VALLEY_UNKNOWN=refuse")
	inWorld(t, env, func(t *testing.T, w *world) {
		if v := w.says("valley", "N0QRC-7", "ALL", "1", "hello"); v.Code != link.CodeNotAllowed {
			t.Errorf("%+v", v)
		}
		w.where("valley", "N0QRC-7", 46.5, -122.9)
		w.silent("aprs", time.Minute)
		w.silent("hill", time.Minute)
	})
}

func TestGroupsOnMailAndAPRS(t *testing.T) {
	env := []string{"POSTHOUSE_POST_GROUPS=NET", "POSTHOUSE_POST_GROUP_TO=ann@club.example,bob@club.example", "POSTHOUSE_APRS_GROUPS=NET", "POSTHOUSE_HILL_GROUPS=NET,ALL"}
	inWorld(t, env, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "NET", "1", "net at eight")
		w.want(w.gets("aprs", soon), "text N0QRA-7>NET net at eight")
		w.want(w.gets("hill", soon), "text N0QRA-7>NET net at eight")
		to := map[string]bool{w.gets("post", soon).Message.To: true, w.gets("post", soon).Message.To: true}
		if !to["ann@club.example"] || !to["bob@club.example"] {
			t.Errorf("mailed to %v", to)
		}
		for _, name := range []string{"aprs", "hill", "post", "valley"} {
			w.silent(name, time.Hour)
		}
		if r := w.record(v.ID); r.Open() {
			t.Error("still open")
		}
	})
}

func TestRoutesAndUnheard(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_ROUTES=N0QRD*=hill", "POSTHOUSE_UNHEARD=aprs"}, func(t *testing.T, w *world) {
		w.beacon("aprs", "N0QRD-9")
		w.says("valley", "N0QRA-7", "N0QRD-9", "1", "by the route")
		w.want(w.gets("hill", soon), "text N0QRA-7>N0QRD-9 by the route")
		w.says("valley", "N0QRA-7", "N0QRE-9", "2", "to the unheard")
		w.want(w.gets("aprs", soon), "text N0QRA-7>N0QRE-9 to the unheard")
	})
}

// An emergency by mail is one if its writer is on the allow list, licensed or not; who may
// only answer a station is not. A far gateway has been told by the one that let it in.
func TestEmergenciesByMail(t *testing.T) {
	env := []string{"POSTHOUSE_POST_LISTEN=127.0.0.1:2525", "POSTHOUSE_POST_ALLOW=ann@club.example=N0QRA,*@county.example"}
	inWorld(t, env, func(t *testing.T, w *world) {
		for from, want := range map[string]message.Precedence{
			"ann@club.example": message.Emergency, "duty@county.example": message.Emergency, "bob@home.example": message.Priority,
		} {
			v, err := w.links["post"].Hear(t.Context(), message.Message{Kind: message.Text, From: from, ThirdParty: true, To: "N0QRB-9", Text: "EMERGENCY fire"})
			if err != nil {
				t.Fatal(err)
			}
			if m := w.record(v.ID).Message; m.Precedence != want || want == message.Priority && m.Claimed != message.Emergency {
				t.Errorf("%s: %v, claimed %v", from, m.Precedence, m.Claimed)
			}
		}
	})
}

func TestEmergenciesOfOneSender(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=5/10m"}, func(t *testing.T, w *world) {
		is := func(id string, want message.Precedence) {
			t.Helper()
			v := w.says("valley", "N0QRA-7", "ALL", id, "EMERGENCY "+id)
			if m := w.record(v.ID).Message; m.Precedence != want || want == message.Priority && m.Claimed != message.Emergency {
				t.Errorf("%s goes as %v, claimed %v", id, m.Precedence, m.Claimed)
			}
		}
		is("1", message.Emergency)
		for range 10 { // the radio repeats what is not acknowledged
			is("1", message.Emergency)
		}
		is("2", message.Emergency)
		is("3", message.Emergency)
		is("4", message.Priority)
		for i := range 4 {
			if v := w.says("valley", "N0QRA-7", "ALL", fmt.Sprint("r", i), fmt.Sprint("routine ", i)); v.Refused() {
				t.Errorf("routine %d: %+v", i, v)
			}
		}
		for range 10 {
			w.says("valley", "N0QRA-7", "ALL", "r1", "routine 1") // does not count
		}
		if v := w.says("valley", "N0QRA-7", "ALL", "r9", "one too many"); v.Code != link.CodeTooMany {
			t.Errorf("%+v", v)
		}
		time.Sleep(10 * time.Minute)
		is("5", message.Emergency)
	})
}

func TestExerciseMarksEachPartAndNeverARealEmergency(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_EXERCISE=storm", "POSTHOUSE_ALERT_TO=N0QRB-9"}, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "ALL", "1", long(250))
		for range 3 {
			if f := w.gets("hill", soon); !strings.HasPrefix(f.Text, "EXERCISE ") || !strings.HasSuffix(f.Text, " EXERCISE") || len(f.Text) > 140 {
				t.Errorf("part %d: %q", f.Part, f.Text)
			}
		}
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "ALL", "2", "EMERGENCY house on fire")
		w.want(w.gets("hill", soon), "text N0QRA-7>ALL EXERCISE EMERGENCY house on fire EXERCISE")
		w.says("valley", "N0QRA-7", "ALL", "3", "REAL EMERGENCY house on fire")
		w.want(w.gets("hill", soon), "text N0QRA-7>ALL REAL EMERGENCY house on fire")
		w.want(w.gets("hill", soon), `notice N0QRZ-10>N0QRB-9 EMERGENCY from N0QRA-7 to ALL: REAL EMERGENCY house on fire`)
	})
}
