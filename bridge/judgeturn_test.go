package bridge_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"posthouse/bridge"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// What a running gateway would know of a text, its question may say.
func TestVetWithWhatAGatewayKnows(t *testing.T) {
	far := []string{"N0QRX-10", "N0QRY-10"}
	for name, c := range map[string]struct {
		settings   []string
		ask        func(*bridge.Question)
		code       string
		precedence message.Precedence
	}{
		"nothing is known":                            {ask: func(*bridge.Question) {}},
		"older than its lifetime":                     {ask: func(q *bridge.Question) { q.Age = 25 * time.Hour }, code: link.CodeExpired},
		"not yet":                                     {ask: func(q *bridge.Question) { q.Age = 23 * time.Hour }},
		"a mail may be older":                         {ask: func(q *bridge.Question) { q.From, q.In, q.Age = "ann@club.example", "post", 100*time.Hour }},
		"and then not":                                {ask: func(q *bridge.Question) { q.From, q.In, q.Age = "ann@club.example", "post", 121*time.Hour }, code: link.CodeExpired},
		"another lifetime":                            {settings: []string{"POSTHOUSE_LIFETIME=2h"}, ask: func(q *bridge.Question) { q.Age = 3 * time.Hour }, code: link.CodeExpired},
		"a frame that a gateway has sent":             {ask: func(q *bridge.Question) { q.Via = "N0QRY-10" }, code: link.CodeLooped},
		"eight hand-overs":                            {ask: func(q *bridge.Question) { q.Hops = make([]string, 8) }},
		"nine hand-overs":                             {ask: func(q *bridge.Question) { q.Hops = make([]string, 9) }, code: link.CodeLooped},
		"a group text that was here":                  {ask: func(q *bridge.Question) { q.To, q.Hops = "ALL", append(far, gateway) }, code: link.CodeLooped},
		"a group text that was elsewhere":             {ask: func(q *bridge.Question) { q.To, q.Hops = "ALL", far }},
		"a direct text may come back":                 {ask: func(q *bridge.Question) { q.Hops = append(far, gateway) }},
		"a mesh says encrypted":                       {ask: func(q *bridge.Question) { q.Encrypted = true }, code: link.CodeLooksEncrypted},
		"a subject that is ciphertext":                {ask: func(q *bridge.Question) { q.Subject = "U2FsdGVkX19w0vQ3mXy7Jb1kq8R2hZt6cYd4LsPzNfE=" }, code: link.CodeLooksEncrypted},
		"a line end in an id":                         {ask: func(q *bridge.Question) { q.ID = "4f\n2a" }, code: link.CodeNotText},
		"the same text again":                         {ask: func(q *bridge.Question) { q.Known = true }, code: link.CodeDuplicate},
		"the last of the rate":                        {ask: func(q *bridge.Question) { q.Sent = 19 }},
		"one above it":                                {ask: func(q *bridge.Question) { q.Sent = 20 }, code: link.CodeTooMany},
		"another rate":                                {settings: []string{"POSTHOUSE_RATE=2/1h"}, ask: func(q *bridge.Question) { q.Sent = 2 }, code: link.CodeTooMany},
		"no rate for an emergency":                    {ask: func(q *bridge.Question) { q.Sent, q.Text = 99, "EMERGENCY fire" }, precedence: message.Emergency},
		"the third emergency":                         {ask: func(q *bridge.Question) { q.Alarms, q.Text = 2, "EMERGENCY fire" }, precedence: message.Emergency},
		"the fourth goes as priority":                 {ask: func(q *bridge.Question) { q.Alarms, q.Text = 3, "EMERGENCY fire" }, precedence: message.Priority},
		"and then it has a rate":                      {ask: func(q *bridge.Question) { q.Alarms, q.Sent, q.Text = 3, 20, "EMERGENCY fire" }, code: link.CodeTooMany},
		"the member goes before the word":             {ask: func(q *bridge.Question) { q.Precedence, q.Text = message.Welfare, "PRIORITY all safe" }, precedence: message.Welfare},
		"a drill's emergency":                         {ask: func(q *bridge.Question) { q.Text = "EXERCISE EMERGENCY fire" }, precedence: message.Emergency},
		"what is refused by its text is not counted":  {ask: func(q *bridge.Question) { q.Sent, q.Text = 99, "abc\u202edef" }, code: link.CodeNotText},
		"a duplicate is one, whatever its sender did": {ask: func(q *bridge.Question) { q.Known, q.Sent = true, 99 }, code: link.CodeDuplicate},
	} {
		t.Run(name, func(t *testing.T) {
			q := bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: "hello"}
			c.ask(&q)
			got, err := judge(t, c.settings...).Vet(q)
			if err != nil {
				t.Fatal(err)
			}
			code := ""
			if got.Refusal != nil {
				code = got.Refusal.Code
			}
			if code != c.code || c.precedence != message.Unset && got.Precedence != c.precedence {
				t.Errorf("got %q %v, want %q %v", code, got.Precedence, c.code, c.precedence)
			}
		})
	}
}

// Asked in turn, the judge counts for itself: what a gateway would say to texts
// that are handed in one after the other.
func TestVetInTurn(t *testing.T) {
	j := judge(t, "POSTHOUSE_RATE=3/10m")
	j.InTurn()
	for i, c := range []struct {
		text, id string
		after    time.Duration
		code     string
	}{
		{"one", "1", 0, ""},
		{"one", "1", time.Minute, link.CodeDuplicate},
		{"one", "2", 0, ""}, // another message of the same words
		{"abc\u202edef", "3", 0, link.CodeNotText},
		{"two", "", 0, ""},
		{"three", "4", 0, link.CodeTooMany},
		{"EMERGENCY fire", "5", 0, ""},
		{"two", "", time.Minute, link.CodeDuplicate},
		{"two", "", 9 * time.Minute, ""}, // without an id: the same for two minutes
		{"one", "1", 40 * time.Minute, link.CodeDuplicate},
		{"one", "1", time.Hour, ""},
	} {
		got, err := j.Vet(bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: c.text, ID: c.id, After: c.after})
		if err != nil {
			t.Fatal(err)
		}
		code := ""
		if got.Refusal != nil {
			code = got.Refusal.Code
		}
		if code != c.code {
			t.Errorf("%d, %q: got %q, want %q", i, c.text, code, c.code)
		}
	}
}

// A mail's id never wraps: the same mail is known for as long as it lives.
func TestVetKnowsAMailAgain(t *testing.T) {
	j := judge(t)
	j.InTurn()
	for i, after := range []time.Duration{0, 100 * time.Hour} {
		got, err := j.Vet(bridge.Question{From: "ann@club.example", In: "post", To: "N0QRB-9", Text: "hello", ID: "<1@club.example>", After: after})
		if err != nil {
			t.Fatal(err)
		}
		if isKnown := got.Refusal != nil && got.Refusal.Code == link.CodeDuplicate; isKnown != (i > 0) {
			t.Errorf("after %v: %+v", after, got.Refusal)
		}
	}
}

// For whom the gateway passes on, vet says by the mesh's list.
func TestVetTellsWhoItIs(t *testing.T) {
	stations := filepath.Join(t.TempDir(), "stations")
	if err := os.WriteFile(stations, []byte("4711 N0QRA-7 Ann may=text,mail\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	got, err := judge(t, "POSTHOUSE_VALLEY_STATIONS_FILE="+stations).Vet(bridge.Question{From: "4711", To: "N0QRB-9", Text: "hello"})
	if err != nil || got.Station == nil || got.Station.Name != "Ann" || !got.Station.Mail || got.Station.Position {
		t.Errorf("got %+v, %v", got.Station, err)
	}
	third, err := judge(t).Vet(bridge.Question{From: "ben@club.example", To: "N0QRB-9", Text: "hello"})
	if err != nil || !third.ThirdParty || third.Link != "valley" || third.To != "N0QRB-9" {
		t.Errorf("got %+v, %v", third, err)
	}
}

func TestVetKnowsNoLinkThatItCameInOn(t *testing.T) {
	if _, err := judge(t).Vet(bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: "hello", In: "pigeon"}); err == nil {
		t.Error("no error")
	}
}
