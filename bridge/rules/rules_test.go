package rules

import (
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func patterns(t testing.TB, list ...string) Patterns {
	ps, err := ParsePatterns(list)
	if err != nil {
		t.Fatal(err)
	}
	return ps
}

func TestCheck(t *testing.T) {
	now := time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)
	list := Stations{"N0QRA": {Call: "N0QRA", Text: true, Mail: true, Position: true}, "N0QRB-7": {Call: "N0QRB-7", Text: true}}
	for name, c := range map[string]struct {
		change func(*message.Message)
		policy Policy
		code   string // empty: passes
	}{
		"a text between two stations passes": {},
		"a sender without a call sign":       {change: func(m *message.Message) { m.From = "node4711" }, code: link.CodeNoCallsign},
		"a call sign that no country has":    {change: func(m *message.Message) { m.From = "E81QRA" }, code: link.CodeNoCallsign},
		"the placeholder":                    {change: func(m *message.Message) { m.From = "N0CALL-7" }, code: link.CodeNoCallsign},
		"a call sign in look-alike letters":  {change: func(m *message.Message) { m.From = "\u039d0QRA" }, code: link.CodeNoCallsign},
		"a licensed mail writer passes":      {change: func(m *message.Message) { m.From, m.SenderCall = "a@club.example", "N0QRA" }},
		"a licensed one with a wrong call":   {change: func(m *message.Message) { m.From, m.SenderCall = "a@club.example", "N0CALL" }, code: link.CodeNoCallsign},
		"a third party by mail passes here":  {change: func(m *message.Message) { m.From, m.ThirdParty = "a@club.example", true }},

		"a frame that a gateway has transmitted":  {change: func(m *message.Message) { m.Via = "N0QRZ-10" }, code: link.CodeLooped},
		"a text from a gateway of this mesh":      {change: func(m *message.Message) { m.From = "N0QRY-10" }, policy: Policy{Gateways: []string{"N0QRY-10"}}, code: link.CodeLooped},
		"the gateway's own text passes":           {change: func(m *message.Message) { m.From, m.Link = "N0QRZ-10", "" }},
		"the gateway's own call from outside":     {change: func(m *message.Message) { m.From = "N0QRZ-10" }, code: link.CodeLooped},
		"a group text that was here":              {change: func(m *message.Message) { m.To, m.Hops = "ALL", []string{"N0QRY-10", "N0QRZ-10"} }, code: link.CodeLooped},
		"a direct text that was here may roam":    {change: func(m *message.Message) { m.Hops = []string{"N0QRY-10", "N0QRZ-10"} }},
		"eight hand-overs pass":                   {change: func(m *message.Message) { m.Hops = make([]string, 8) }},
		"nine do not":                             {change: func(m *message.Message) { m.Hops = make([]string, 9) }, code: link.CodeLooped},
		"a blocked station, whatever its SSID":    {policy: Policy{Block: patterns(t, "n0qra")}, code: link.CodeBlocked},
		"in its portable form too":                {change: func(m *message.Message) { m.From = "DL/N0QRA/P-3" }, policy: Policy{Block: patterns(t, "N0QRA")}, code: link.CodeBlocked},
		"one SSID blocked, another passes":        {policy: Policy{Block: patterns(t, "N0QRA-9")}},
		"a text to a blocked station":             {policy: Policy{Block: patterns(t, "N0QRB")}, code: link.CodeBlocked},
		"a blocked mail domain":                   {change: func(m *message.Message) { m.From = "A@Club.Example" }, policy: Policy{Block: patterns(t, "*@club.example")}, code: link.CodeBlocked},
		"a blocked call behind a mail address":    {change: func(m *message.Message) { m.From, m.SenderCall = "a@b.example", "N0QRA" }, policy: Policy{Block: patterns(t, "N0QRA")}, code: link.CodeBlocked},
		"the gateway's notice to a blocked one":   {change: func(m *message.Message) { m.Kind, m.From, m.Link = message.Notice, "N0QRZ-10", "" }, policy: Policy{Block: patterns(t, "N0QRB")}},
		"a listed station passes":                 {policy: Policy{Stations: list, Unknown: UnknownRefuse}},
		"an unlisted one is refused":              {change: func(m *message.Message) { m.From = "N0QRC-7" }, policy: Policy{Stations: list, Unknown: UnknownRefuse}, code: link.CodeNotAllowed},
		"or passes":                               {change: func(m *message.Message) { m.From = "N0QRC-7" }, policy: Policy{Stations: list, Unknown: UnknownPass}},
		"a station that may not mail":             {change: func(m *message.Message) { m.From, m.To = "N0QRB-7", "a@club.example" }, policy: Policy{Stations: list}, code: link.CodeNotAllowed},
		"a station whose position is not gated":   {change: func(m *message.Message) { m.Kind, m.From = message.Position, "N0QRB-7" }, policy: Policy{Stations: list}, code: link.CodeNotAllowed},
		"sent encrypted":                          {change: func(m *message.Message) { m.Encrypted = true }, code: link.CodeLooksEncrypted},
		"an empty text":                           {change: func(m *message.Message) { m.Text = "" }, code: link.CodeNotText},
		"a line end in an address":                {change: func(m *message.Message) { m.To = "a@club.example\nBcc: b@club.example" }, code: link.CodeNotText},
		"a control character in an origin id":     {change: func(m *message.Message) { m.OriginID = "4f\x1b2a" }, code: link.CodeNotText},
		"a hidden comment of a position":          {change: func(m *message.Message) { m.Where = &message.Where{Comment: "\u202eabc"} }, code: link.CodeNotText},
		"a text over the limit":                   {change: func(m *message.Message) { m.Text = strings.Repeat("word ", 20) }, policy: Policy{MaxBytes: 99}, code: link.CodeTooLong},
		"a text older than its lifetime":          {change: func(m *message.Message) { m.Filed = now.Add(-25 * time.Hour) }, policy: Policy{Now: now, Lifetime: 24 * time.Hour}, code: link.CodeExpired},
		"no age counts while the clock is unsure": {change: func(m *message.Message) { m.Filed = now.Add(-25 * time.Hour) }, policy: Policy{Lifetime: 24 * time.Hour}},
	} {
		t.Run(name, func(t *testing.T) {
			m := text("N0QRA-7", "N0QRB-9", "hello")
			if c.change != nil {
				c.change(m)
			}
			c.policy.Own = "N0QRZ-10"
			wantRefusal(t, Check(m, &c.policy), c.code)
		})
	}
}

func wantRefusal(t *testing.T, r *Refusal, code string) {
	t.Helper()
	switch {
	case r == nil && code != "":
		t.Errorf("passes, want %s", code)
	case r != nil && r.Code != code:
		t.Errorf("got %+v, want code %q", r, code)
	case r != nil && (r.Why == "" || len(r.Why) > 60 || ascii(r.Why[:min(20, len(r.Why))]) == "" || r.Regulation == "" || !slices.Contains(link.Codes, r.Code)):
		t.Errorf("not fit for a notice: %+v", r)
	}
}

func TestCheckOut(t *testing.T) {
	third := func(m *message.Message) { m.From, m.ThirdParty = "a@club.example", true }
	for name, c := range map[string]struct {
		change func(*message.Message)
		out    Out
		code   string
	}{
		"a text to a mesh passes":                  {out: Out{Kind: "mesh"}},
		"N0CALL never transmits":                   {out: Out{Kind: "mesh", Own: "N0CALL-10"}, code: link.CodeNoCallsign},
		"a third party never to APRS":              {change: third, out: Out{Kind: "aprs"}, code: link.CodeThirdParty},
		"unless the operator allows it":            {change: third, out: Out{Kind: "aprs", ThirdParty: true}},
		"an unmarked mail writer is a third party": {change: func(m *message.Message) { m.From = "a@club.example" }, out: Out{Kind: "aprs"}, code: link.CodeThirdParty},
		"a licensed mail writer is not":            {change: func(m *message.Message) { m.From, m.SenderCall = "a@club.example", "N0QRA" }, out: Out{Kind: "aprs"}},
		"a third party to the own mesh passes":     {change: third, out: Out{Kind: "mesh"}},
		"to a mesh in another country not":         {change: third, out: Out{Kind: "mesh", Home: "US", Country: "CA"}, code: link.CodeThirdParty},
		"to a foreign call over the trunk not":     {change: func(m *message.Message) { third(m); m.To = "DL0QRA" }, out: Out{Kind: "trunk"}, code: link.CodeThirdParty},
		"to a home call over the trunk passes":     {change: third, out: Out{Kind: "trunk"}},
		"to a group over the trunk not":            {change: func(m *message.Message) { third(m); m.To = "ALL" }, out: Out{Kind: "trunk"}, code: link.CodeThirdParty},
		"an emergency crosses a border, RR 25.3":   {change: func(m *message.Message) { third(m); m.To, m.Precedence = "DL0QRA", message.Emergency }, out: Out{Kind: "trunk"}},
		"an unlisted station stays on the mesh":    {out: Out{Kind: "mail", Local: true}, code: link.CodeNotAllowed},
		"a long call is not for APRS":              {change: func(m *message.Message) { m.From = "3DA0QUX" }, out: Out{Kind: "aprs"}, code: link.CodeNoCallsign},
		"a portable mark is not for APRS":          {change: func(m *message.Message) { m.To = "N0QRB/P" }, out: Out{Kind: "aprs"}, code: link.CodeNoCallsign},
		"an imitated ack is not for APRS":          {change: func(m *message.Message) { m.Text = "ack4f2a" }, out: Out{Kind: "aprs"}, code: link.CodeNotText},
		"elsewhere it is a text":                   {change: func(m *message.Message) { m.Text = "ack4f2a" }, out: Out{Kind: "mesh"}},
	} {
		t.Run(name, func(t *testing.T) {
			m := text("N0QRA-7", "N0QRB-9", "hello")
			if c.change != nil {
				c.change(m)
			}
			if c.out.Own == "" {
				c.out.Own = "N0QRZ-10"
			}
			wantRefusal(t, CheckOut(m, &c.out), c.code)
		})
	}
}

func TestImitatesAck(t *testing.T) {
	for s, want := range map[string]bool{
		"ack01": true, "rej4f2a1": true, "ackMM}AA": true, " ACK7 ": true, // APRS Protocol Reference 1.0.1 chapter 14, addendum 1.1
		"ack": false, "ack 01": false, "acknowledged": false, "ack123456": false, "reject": true, "acked": true, "black": false,
	} {
		if got := ImitatesAck(s); got != want {
			t.Errorf("%q: %v", s, got)
		}
	}
}

func TestLocal(t *testing.T) {
	p := Policy{Own: "N0QRZ-10", Stations: Stations{"N0QRA": {}}, Unknown: UnknownLocal}
	for from, want := range map[string]bool{"N0QRA-7": false, "N0QRB": true, "a@club.example": false} {
		if got := p.Local(text(from, "ALL", "hi")); got != want {
			t.Errorf("%s: %v", from, got)
		}
	}
}

func TestPrecedence(t *testing.T) {
	for words, want := range map[string]message.Precedence{
		"EMERGENCY broken leg": message.Emergency, "EMERGENCY: help": message.Emergency, "PRIORITY": message.Priority, "WELFARE all fine": message.Welfare,
		"EXERCISE EMERGENCY x": message.Emergency, "TEST PRIORITY x": message.Priority, "EXERCISE TEST WELFARE": message.Welfare, "REAL EMERGENCY fire": message.Emergency,
		"(EMERGENCY) x": message.Emergency, "EMERGENCY? x": message.Emergency, "🚨 EMERGENCY 🚨 x": message.Emergency, "EMERGENCY—x": message.Emergency, "¡EMERGENCY! x": message.Emergency,
		"EMERGENCY。x": message.Emergency, "EMERGENCY\u00a0x": message.Emergency, "REAL: EMERGENCY x": message.Emergency, "[TEST] *PRIORITY* x": message.Priority,
		"> EMERGENCY x": message.Routine, "EMERGENCY's over": message.Routine, "EMERGENCYÄ": message.Routine, "1 EMERGENCY": message.Routine, "ЕMERGENCY x": message.Routine, "Emergency x": message.Routine,
		"emergency": message.Routine, "EMERGENCYX": message.Routine, "E help": message.Routine, "EMERG help": message.Routine,
		"no EMERGENCY here": message.Routine, "": message.Routine, "TEST TEST TEST EMERGENCY": message.Routine,
	} {
		if got := Precedence(text("N0QRA", "N0QRB", words)); got != want {
			t.Errorf("%q: %v, want %v", words, got, want)
		}
	}
	m := text("N0QRA", "N0QRB", "EMERGENCY help")
	if m.Precedence = message.Welfare; Precedence(m) != message.Welfare {
		t.Error("the member goes before the words")
	}
}

func TestExerciseMarks(t *testing.T) {
	for _, c := range []struct{ name, words, before, text, after string }{
		{"RIDGE", "EMERGENCY flood", "EXERCISE ", "EMERGENCY flood", " EXERCISE"},
		{"RIDGE", "EXERCISE flood EXERCISE", "EXERCISE ", "flood", " EXERCISE"}, // never twice
		{"RIDGE", "EXERCISE: flood", "EXERCISE ", "flood", " EXERCISE"},
		{"RIDGE", "REAL EMERGENCY fire", "", "REAL EMERGENCY fire", ""}, // never marked
		{"RIDGE", "REAL: EMERGENCY! fire", "", "REAL: EMERGENCY! fire", ""},
		{"RIDGE", "Real  emergency fire", "", "Real  emergency fire", ""},
		{"", "REAL\nEMERGENCY fire", "", "REAL\nEMERGENCY fire", ""},
		{"RIDGE", "EXERCISE", "", "EXERCISE", ""}, // the mark alone is first and last
		{"", "TEST TEST", "", "TEST TEST", ""},
		{"", "TEST -5 C here", "TEST ", "-5 C here", " TEST"}, // a minus is no punctuation
		{"", "TEST: -5 C here", "TEST ", "-5 C here", " TEST"},
		{"", "TEST - five here", "TEST ", "five here", " TEST"},
		{"", "(TEST) five here", "TEST ", "five here", " TEST"},
		{"", "🔥 TEST flood", "TEST ", "🔥 TEST flood", " TEST"}, // no sign is lost
		{"RIDGE", "REAL EMERGENCYX", "EXERCISE ", "REAL EMERGENCYX", " EXERCISE"},
		{"", "plain", "", "plain", ""},
		{"", "EXERCISE flood", "EXERCISE ", "flood", " EXERCISE"}, // the writer's own mark is kept on each part
		{"", "TEST flood TEST", "TEST ", "flood", " TEST"},
		{"", "TESTING one two", "", "TESTING one two", ""},
	} {
		m := text("N0QRA", "N0QRB", c.words)
		m.Exercise = c.name
		if b, s, a := ExerciseMarks(m); b != c.before || s != c.text || a != c.after {
			t.Errorf("%q in %q: %q %q %q", c.words, c.name, b, s, a)
		}
	}
}

func TestRate(t *testing.T) {
	r := NewRate(Limit{N: 3, Per: 10 * time.Minute})
	minute := func(n float64) clock.Age { return clock.Age(n * 60_000) }
	for _, c := range []struct {
		from string
		at   float64
		want bool
	}{
		{"N0QRA", 0, true}, {"N0QRA-7", 1, true}, {"N0QRA/P", 2, true}, // one licence is one sender
		{"N0QRB", 2, true}, {"N0QRA", 9.9, false}, {"N0QRA", 10, true}, {"N0QRA", 10.5, false}, {"N0QRA-1", 11, true},
	} {
		if got := r.Allow(c.from, minute(c.at)); got != c.want {
			t.Errorf("%s at %v min: %v", c.from, c.at, got)
		}
	}
}

// In no window are more than N let through, and a refused one was over it.
func TestRateSlides(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := Limit{N: rapid.IntRange(1, 5).Draw(t, "n"), Per: time.Minute}
		r := NewRate(limit)
		var passed []clock.Age
		now := clock.Age(0)
		for _, step := range rapid.SliceOf(rapid.IntRange(0, 40_000)).Draw(t, "steps") {
			now += clock.Age(step)
			within := 0
			for _, at := range passed {
				if now.Sub(at) < limit.Per {
					within++
				}
			}
			if got := r.Allow("N0QRA", now); got != (within < limit.N) {
				t.Fatalf("at %d: %v with %d in the window", now, got, within)
			} else if got {
				passed = append(passed, now)
			}
		}
	})
}

func TestRateForgetsTheSenderUnheardLongest(t *testing.T) {
	r := NewRate(Limit{1, time.Hour})
	for i := range maxSenders + 100 {
		r.Allow(strings.Repeat("x", i%7)+string(rune('a'+i%26))+time.Duration(i).String()+"@club.example", 0)
	}
	if len(r.senders) > maxSenders || r.recent.Len() != len(r.senders) {
		t.Errorf("%d senders, %d in order", len(r.senders), r.recent.Len())
	}
}

func TestPattern(t *testing.T) {
	for _, c := range []struct {
		pattern, address string
		want             bool
	}{
		{"N0QRA", "N0QRA-7", true}, {"n0qra", "DL/N0QRA/P", true}, {"N0QRA-7", "N0QRA", false}, {"N0QRA-7", "N0QRA-7", true},
		{"N0QRA*", "N0QRAB", true}, {"N0Q*", "N0QRB-3", true}, {"N0QRA", "N0QRAB", false}, {"*", "N0QRB", true}, {"*", "a@club.example", false},
		{"*@*", "a@club.example", true}, {"*@*", "N0QRA", false}, {"*@club.example", "A@CLUB.example", true}, {"*@club.example", "a@notclub.example", false},
		{"*@club.example", "a@club.example.", true}, {"*@*.example", "a@x.y.example", true}, {"a*b*c@d.example", "aXbYc@d.example", true}, {"a*b*c@d.example", "ac@d.example", false},
	} {
		p, err := ParsePattern(c.pattern)
		if err != nil || p.Match(c.address) != c.want {
			t.Errorf("%s on %s: %v, %v", c.pattern, c.address, p.Match(c.address), err)
		}
	}
	for _, s := range []string{"", " ", "a b", "a,b", "a=b", "a@b@c", "a\n", strings.Repeat("a", 255)} {
		if p, err := ParsePattern(s); err == nil && s != "a\n" {
			t.Errorf("ParsePattern(%q) = %v", s, p)
		}
	}
}

func BenchmarkCheck(b *testing.B) {
	words := strings.Repeat("All stations: the shelter at Ridge Road is open, 40 beds free. ", 4)[:200]
	m := text("N0QRA-7", "N0QRB-9", words)
	p := &Policy{Own: "N0QRZ-10", MaxBytes: 4096, Block: patterns(b, "N0QRC", "*@club.example")}
	b.ReportAllocs()
	b.SetBytes(int64(len(words)))
	for b.Loop() {
		if r := Check(m, p); r != nil {
			b.Fatal(r)
		}
	}
}
