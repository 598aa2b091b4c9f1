package main

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

var update = flag.Bool("update", false, "write the golden files")

var noon = time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)

func at(after time.Duration) desk.Moment { return desk.Moment{At: noon.Add(after)} }

func figureOf(f float64) *float64 { return &f }

// heads are messages as they come: short, long, and hostile to a terminal.
func heads() []desk.Head {
	long := strings.Repeat("a very long text that no line can hold, 非常に長い本文 🚒 ", 6)
	return []desk.Head{
		{ID: "N0QRZ-10.1", Accepted: at(0), Kind: message.Text, Precedence: message.Emergency, From: "N0QRA-7", To: "N0QRB-9", In: "valley", Text: "need a doctor at camp 4"},
		{ID: "N0QRZ-10.123456", Accepted: at(time.Minute), Kind: message.Text, Precedence: message.Priority, Claimed: message.Emergency,
			From: "somebody.with.a.long.name@county-emergency.example", To: "N0QRB/P-9", In: "post", Subject: long, Text: long},
		{ID: "N0QRZ-10.7", Accepted: desk.Moment{At: noon.Add(25 * time.Hour), Unsure: true}, Kind: message.Notice, Precedence: message.Routine, From: "N0QRZ-10", To: "N0QRA-7", Text: "\x1b[2J\u202egone\nnext line"},
	}
}

func ways() []desk.Way {
	return []desk.Way{
		{Link: "hill", Station: "N0QRB-9", State: "later", Tries: 2, Due: at(time.Hour), Why: "sent, the acknowledgement of N0QRB-9 is awaited"},
		{Link: "averylonglinkname", Station: "N0QRB/P-9", Gateway: "N0QRY-1", State: "passed", Parts: 3, Acked: 1, Why: "N0QRY-1 has it, its end-to-end receipt is awaited"},
		{Station: "N0QRA-7", State: "held", Why: "until N0QRA-7 is heard"},
	}
}

// Everything that a person reads fits in a terminal of 80 columns, and nothing
// of it moves the cursor.
func TestListsFitInEightyColumns(t *testing.T) {
	for name, print := range map[string]func(*table){
		"queue_list": func(out *table) {
			expected := []*float64{figureOf(4000), nil, nil}
			for i, h := range heads() {
				printRow(out, desk.Row{Head: h, Way: ways()[i], Waited: 3 * 86400 * float64(i), Expected: expected[i], Never: i == 2}, i == 0)
			}
		},
		"queue_show": func(out *table) {
			for i, h := range heads() {
				st := desk.Story{Line: desk.Line{Head: h, Result: "open", Why: ways()[i].Why, Ways: ways()[i : i+1]}, Expires: at(24 * time.Hour)}
				st.Steps = []desk.Step{
					{At: h.Accepted, What: "accepted", Link: h.In, Note: "hill"},
					{At: at(26 * time.Hour), What: "try failed", Link: "hill", Note: strings.Repeat("the other side says no ", 6)},
				}
				st.Told = []desk.Told{
					{ID: "N0QRZ-10.98", Kind: message.Notice, To: h.From, Result: "open", Why: "it has had 6 notices within the hour"},
					{ID: "N0QRZ-10.99", Kind: message.Receipt, To: h.From, Gateway: "N0QRY-1", Result: "sent", Ended: at(time.Hour)},
				}
				st.SNR, st.RSSI, st.OriginID, st.Hops = figureOf(-7.25), figureOf(-119), "4f2a", []string{"N0QRY-1", "N0QRX-1"}
				printStory(out, &st)
			}
		},
		"log": func(out *table) {
			each := logText(out)
			for i, h := range heads() {
				each(desk.Line{Head: h, Result: []string{"delivered", "open", "sent"}[i], Seconds: []*float64{figureOf(93), nil, figureOf(0)}[i], Ways: ways()[i : i+1]})
			}
		},
		"stations": func(out *table) {
			for i, st := range []desk.Station{
				{Call: "N0QRA-7", Link: "valley", Moment: at(0), Ago: 3, Fresh: true, Answers: true, SNR: figureOf(7.25), RSSI: figureOf(-101)},
				{Call: "N0QRB/P-9", Link: "averylonglinkname", Moment: desk.Moment{At: noon, Unsure: true}, Ago: 86400 * 400, SNR: figureOf(-20.25), RSSI: figureOf(-140)},
				{Call: "N0QRC-5", Link: "aprs", Moment: desk.Moment{At: noon, Unsure: true}, Ago: 4000, Fresh: true},
				{Call: "N0QRD-9", Link: "far", Gateway: "N0QRB-10", Moment: desk.Moment{At: noon, Unsure: true}, Ago: 40, Fresh: true, Answers: true},
			} {
				printStation(out, st, i == 0)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			out := newTable(&b)
			print(out)
			if err := out.flush(); err != nil {
				t.Fatal(err)
			}
			for line := range strings.Lines(b.String()) {
				line = strings.TrimSuffix(line, "\n")
				if n := columns(line); n > width {
					t.Errorf("%d columns: %s", n, line)
				}
				if line != plain(line) {
					t.Errorf("a terminal would obey %q", line)
				}
			}
			golden(t, "testdata/golden/"+name+".txt", b.Bytes())
		})
	}
}

// What a terminal makes of a text: two columns for an East Asian wide character
// (Unicode Standard Annex #11, W) and for an emoji, none for a combining accent.
func TestColumns(t *testing.T) {
	for s, want := range map[string]int{"": 0, "N0QRA-7": 7, "日本": 4, "u\u0308": 1, "🚒": 2, "e\u0301a": 2, "한글": 4} {
		if got := columns(s); got != want {
			t.Errorf("%q takes %d columns, want %d", s, got, want)
		}
	}
}

// However a text is cut, no piece is wider than there is room, and nothing but
// blanks is lost.
func TestTextsAreCutToTheirRoom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := plain(rapid.StringOf(rapid.SampledFrom([]rune("ab  -日本🚒é\u0301é한\u202e\n\x1b"))).Draw(t, "text"))
		room := rapid.IntRange(4, 30).Draw(t, "room")
		pieces := broken(text, room)
		for _, p := range append(pieces, clip(text, room)) {
			if columns(p) > room {
				t.Fatalf("%q takes %d columns, there is room for %d", p, columns(p), room)
			}
		}
		solid := func(s string) string { return strings.ReplaceAll(s, " ", "") }
		if got := solid(strings.Join(pieces, "")); got != solid(text) {
			t.Fatalf("%q became %q", text, pieces)
		}
	})
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(name, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("got\n%s\nwant (%s, write it with -update)\n%s", got, name, want)
	}
}

func TestSpans(t *testing.T) {
	now := noon
	for _, c := range []struct {
		since, until string
		want         desk.Span // zero: refused
	}{
		{"2026-11-25T14:00:00Z", "", desk.Span{Since: noon.Add(-5 * time.Minute)}},
		{"2026-11-25T14:00Z", "2026-11-25 14:05Z", desk.Span{Since: noon.Add(-5 * time.Minute), Until: noon}},
		{"2026-11-25T15:00+01:00", "", desk.Span{Since: noon.Add(-5 * time.Minute)}},
		{"2026-11-25", "2026-11-26", desk.Span{Since: time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC), Until: time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC)}},
		{"24h", "", desk.Span{Since: noon.Add(-24 * time.Hour)}},
		{"7d", "1h30m", desk.Span{Since: noon.Add(-7 * 24 * time.Hour), Until: noon.Add(-90 * time.Minute)}},
		{"14:05", "", desk.Span{}},            // of which day, in which zone?
		{"2026-11-25T14:05", "", desk.Span{}}, // a time of day without zone
		{"yesterday", "", desk.Span{}},
		{"-3h", "", desk.Span{}},
		{"99999999d", "", desk.Span{}},
		{"1h", "2h", desk.Span{}},                 // the wrong way round
		{"2026-11-25", "2026-11-25", desk.Span{}}, // nothing between
	} {
		got, err := spanFlags{c.since, c.until}.span(now)
		refused := c.want == desk.Span{}
		if refused {
			if f, ok := err.(*failure); !ok || f.code != exitUsage {
				t.Errorf("%q to %q: %+v, %v; want a usage error", c.since, c.until, got, err)
			}
			continue
		}
		if err != nil || !got.Since.Equal(c.want.Since) || !got.Until.Equal(c.want.Until) {
			t.Errorf("%q to %q: %+v, %v; want %+v", c.since, c.until, got, err, c.want)
		}
	}
}
