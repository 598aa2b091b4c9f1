package aprsis

import (
	"math"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/message"
)

func TestParsePacket(t *testing.T) {
	for _, c := range []struct {
		name, line string
		want       Packet
	}{
		{"the shortest", "N0QRA>APZ001:>", Packet{"N0QRA", "APZ001", nil, ">"}},
		{"digipeaters, one of them used", "N0QRA-7>APZ001,N0QRB-1*,WIDE2-1::N0QRC-1  :Hello{01",
			Packet{"N0QRA-7", "APZ001", []string{"N0QRB-1*", "WIDE2-1"}, ":N0QRC-1  :Hello{01"}},
		{"q construct", "N0QRA-7>APZPH1,qAR,N0QRB-10:>on foot", Packet{"N0QRA-7", "APZPH1", []string{"qAR", "N0QRB-10"}, ">on foot"}},
		{"bytes that are no text survive", "N0QRA>APZ001:`\x1c\x7f\xff", Packet{"N0QRA", "APZ001", nil, "`\x1c\x7f\xff"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := ParsePacket(c.line)
			if err != nil || !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %+v, %v, want %+v", got, err, c.want)
			}
			if got.String() != c.line {
				t.Errorf("prints as %q, want %q", got.String(), c.line)
			}
		})
	}
}

func TestParsePacketRefuses(t *testing.T) {
	for name, line := range map[string]string{
		"nothing":            "",
		"a comment":          "# logresp N0QRA verified, server X",
		"no destination":     "N0QRA:hello",
		"no information":     "N0QRA>APZ001:",
		"an empty source":    ">APZ001:>",
		"a long source":      "N0QRABCDEF>APZ001:>",
		"spaces in a call":   "N0 QRA>APZ001:>",
		"an empty path":      "N0QRA>APZ001,:>",
		"a line end inside":  "N0QRA>APZ001:>a\rb",
		"NUL":                "N0QRA>APZ001:>a\x00b",
		"more than 510 byte": "N0QRA>APZ001:>" + strings.Repeat("x", 497),
	} {
		if p, err := ParsePacket(line); err == nil {
			t.Errorf("%s: got %+v, want an error", name, p)
		}
	}
}

func TestConstructSaysWhoBroughtAFrame(t *testing.T) {
	for path, want := range map[string][2]string{
		"TCPIP*,qAC,SERVER":      {"qAC", "SERVER"},
		"WIDE1-1,qAR,N0QRB-10":   {"qAR", "N0QRB-10"},
		"WIDE1-1,qAo,N0QRB-10":   {"qAo", "N0QRB-10"},
		"WIDE2-1,N0QRB-10,I":     {"I", "N0QRB-10"}, // the old form
		"WIDE2-1":                {"", ""},
		"qAR":                    {"", ""},
		"qAI,N0QRB-10,A,B,C,D,E": {"qAI", "N0QRB-10"},
	} {
		p, err := ParsePacket("N0QRA>APZ001," + path + ":>")
		if err != nil {
			t.Fatal(err)
		}
		if q, call := p.Construct(); q != want[0] || call != want[1] {
			t.Errorf("%s: got %s %s, want %s", path, q, call, want)
		}
	}
}

// APRS Protocol Reference 1.0.1, chapter 17.
func TestThirdPartyFrameHasItsSenderInside(t *testing.T) {
	p, err := ParsePacket("N0QRB-10>APZ001,WIDE1-1:}N0QRA-7>APZ001,TCPIP,N0QRB-10*::N0QRC-1  :Hello{01")
	if err != nil {
		t.Fatal(err)
	}
	in, err := p.Inner()
	if err != nil || in.Source != "N0QRA-7" || !in.Passed("TCPIP") || in.Info != ":N0QRC-1  :Hello{01" {
		t.Errorf("got %+v, %v", in, err)
	}
	if _, err := in.Inner(); err == nil {
		t.Error("a frame that is not third party has an inner one")
	}
}

// APRS Protocol Reference 1.0.1, chapter 14; reply-acks: addendum 1.1.
func TestParseText(t *testing.T) {
	for _, c := range []struct {
		name, info string
		want       Text
	}{
		{"without an id", ":N0QRA-7  :Hello", Text{To: "N0QRA-7", Body: "Hello"}},
		{"with an id", ":N0QRA-1  :Hello{01", Text{To: "N0QRA-1", Body: "Hello", ID: "01", FullID: "01"}},
		{"the longest id", ":N0QRA-10 :x{aB345", Text{To: "N0QRA-10", Body: "x", ID: "aB345", FullID: "aB345"}},
		{"a space behind the id", ":N0QRA    :x{1 ", Text{To: "N0QRA", Body: "x", ID: "1", FullID: "1"}},
		{"six characters are no id", ":N0QRA    :x{123456", Text{To: "N0QRA", Body: "x{123456"}},
		{"a brace in the text", ":N0QRA    :{a} b", Text{To: "N0QRA", Body: "{a} b"}},
		{"no text", ":N0QRA    :", Text{To: "N0QRA"}},
		{"an ack", ":N0QRA-7  :ack01", Text{To: "N0QRA-7", Sort: Ack, ID: "01", FullID: "01"}},
		{"a reject", ":N0QRA-7  :rejaB345", Text{To: "N0QRA-7", Sort: Reject, ID: "aB345", FullID: "aB345"}},
		{"words that look like an ack are one", ":N0QRA-7  :ackno", Text{To: "N0QRA-7", Sort: Ack, ID: "no", FullID: "no"}},
		{"words that begin like one are not", ":N0QRA-7  :acknowledge", Text{To: "N0QRA-7", Body: "acknowledge"}},
		{"nor is one with an id of its own", ":N0QRA-7  :ack12{34", Text{To: "N0QRA-7", Body: "ack12", ID: "34", FullID: "34"}},
		{"nor one without any", ":N0QRA-7  :ack", Text{To: "N0QRA-7", Body: "ack"}},
		{"reply-ack, nothing to acknowledge", ":N0QRA-7  :x{MM}", Text{To: "N0QRA-7", Body: "x", ID: "MM", FullID: "MM}"}},
		{"reply-ack that acknowledges", ":N0QRA-7  :x{MM}AA", Text{To: "N0QRA-7", Body: "x", ID: "MM", FullID: "MM}AA", Replies: "AA"}},
		{"ack by who does not know reply-acks", ":N0QRA-7  :ackMM}AA", Text{To: "N0QRA-7", Sort: Ack, ID: "MM", FullID: "MM}AA"}},
		{"ack of five characters with a reply-ack behind", ":N0QRA-7  :ack4f2a9}AA", Text{To: "N0QRA-7", Sort: Ack, ID: "4f2a9", FullID: "4f2a9}AA"}},
		{"ack of five characters with room for one", ":N0QRA-7  :ack4f2a9}", Text{To: "N0QRA-7", Sort: Ack, ID: "4f2a9", FullID: "4f2a9}"}},
		{"reject in that form", ":N0QRA-7  :rej4f2a9}", Text{To: "N0QRA-7", Sort: Reject, ID: "4f2a9", FullID: "4f2a9}"}},
		{"no ack: more behind it than a reply-ack has", ":N0QRA-7  :ack4f2a9}AAA", Text{To: "N0QRA-7", Body: "ack4f2a9}AAA"}},
		{"no id of a text: too long", ":N0QRA-7  :x{4f2a9}", Text{To: "N0QRA-7", Body: "x{4f2a9}"}},
		{"ack by who does", ":N0QRA-7  :ackMM", Text{To: "N0QRA-7", Sort: Ack, ID: "MM", FullID: "MM"}},
		{"group bulletin", ":BLN4WX   :Stand by", Text{To: "BLN4WX", Body: "Stand by"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := ParseText(c.info)
			if err != nil || got != c.want {
				t.Errorf("got %+v, %v, want %+v", got, err, c.want)
			}
			if again, err := ParseText(got.String()); err != nil || again != got {
				t.Errorf("prints as %q, which reads as %+v, %v", got.String(), again, err)
			}
		})
	}
	for _, info := range []string{"", ":", ":N0QRA:short", ":N0QRA-7   :ten characters", ":         :nobody", ">status"} {
		if got, err := ParseText(info); err == nil {
			t.Errorf("%q: got %+v, want an error", info, got)
		}
	}
}

// The table of chapter 14.
func TestBulletins(t *testing.T) {
	for to, want := range map[string]Bulletin{
		"BLN3":      {'3', ""},
		"BLNQ":      {'Q', ""},
		"BLN4WX":    {'4', "WX"},
		"BLN0ABCDE": {'0', "ABCDE"},
	} {
		got, ok := ParseBulletin(to)
		if !ok || got != want || got.String() != to || !forEverybody(to) {
			t.Errorf("%s: got %+v, %v", to, got, ok)
		}
	}
	for _, to := range []string{"", "BLN", "BLNQX", "BLNq", "BLN4ABCDEF", "N0QRA-7"} {
		if got, ok := ParseBulletin(to); ok || forEverybody(to) {
			t.Errorf("%q: got %+v, want none", to, got)
		}
	}
	for _, to := range []string{"NWS-WARN", "ALL", "QST", "CQ"} {
		if !forEverybody(to) {
			t.Errorf("%s is for everybody", to)
		}
	}
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func feet(n float64) *float64 { m := n * metresPerFt; return &m }

func TestPositions(t *testing.T) {
	const lat, lon = 49 + 3.5/60, -(72 + 1.75/60)
	want := []*message.Where{
		{Lat: lat, Lon: lon, Comment: "Test 001234"},
		{Lat: lat, Lon: lon, Alt: feet(1234), Comment: "Test"},
		nil, // 0/0: not known
		{Lat: 49.5, Lon: -72.75},
		{Lat: lat, Lon: lon, Comment: "Test1234", Time: time.Date(2026, 12, 9, 23, 45, 0, 0, time.UTC)}, // nearer than 9 November
		{Lat: lat, Lon: lon, Comment: "local time"},
		{Lat: lat, Lon: lon, Time: time.Date(2026, 11, 25, 23, 45, 17, 0, time.UTC)},
		{Lat: 49, Lon: -72, Ambiguity: 4},
		{Lat: lat, Lon: lon, Ambiguity: 1}, // what the latitude shows holds for both
		nil, nil, nil, nil,                 // an object, a status, an unknown type, 60 minutes
	}
	b, err := os.ReadFile("testdata/positions.txt")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(string(b), "\n"), "\n")
	if len(lines) != len(want) {
		t.Fatalf("%d lines, want %d", len(lines), len(want))
	}
	for i, line := range lines {
		got, err := ParsePosition(line, noon)
		if (err == nil) != (want[i] != nil) {
			t.Errorf("%s: got %+v, %v, want %+v", line, got, err, want[i])
			continue
		}
		if err == nil && !same(got, *want[i], 1e-4) {
			t.Errorf("%s: got %+v, want %+v", line, got, *want[i])
		}
	}
}

// same compares positions, degrees within some tolerance.
func same(a, b message.Where, within float64) bool {
	if math.Abs(a.Lat-b.Lat) > within || math.Abs(a.Lon-b.Lon) > within {
		return false
	}
	a.Lat, a.Lon = b.Lat, b.Lon
	if a.Alt != nil && b.Alt != nil && math.Abs(*a.Alt-*b.Alt) < 0.01 {
		a.Alt = b.Alt
	}
	return reflect.DeepEqual(a, b)
}

// Chapter 9: longitude -72.75 is 20427156, and that is <*e7.
func TestBase91(t *testing.T) {
	if n, ok := base91("<*e7"); !ok || n != 20427156 {
		t.Errorf("got %d, %v, want 20427156", n, ok)
	}
	if _, ok := base91("<*e|"); ok {
		t.Error("| is no digit of base 91")
	}
}

func TestAmbiguityIsKept(t *testing.T) {
	for i, row := range rows(t, "ambiguity.csv") {
		info, err := FormatPosition(message.Where{Lat: 48.2, Lon: 16.0 + 22.0/60, Ambiguity: i}, true)
		if want := "=" + row[1] + "["; err != nil || info != want {
			t.Errorf("level %s: got %q, %v, want %q", row[0], info, err, want)
		}
		if w, err := ParsePosition(info, noon); err != nil || w.Ambiguity != i {
			t.Errorf("level %s reads as %+v, %v", row[0], w, err)
		}
	}
}

func TestFormatPositionRefuses(t *testing.T) {
	for _, w := range []message.Where{{}, {Lat: 91}, {Lon: -181}, {Lat: math.NaN(), Lon: 1}, {Lat: 1, Lon: math.Inf(1)},
		{Lat: 1, Lon: 1, Ambiguity: 5}, {Lat: 1, Lon: 1, Ambiguity: -1}, {Lat: 0.3, Lon: 0.3, Ambiguity: 4}} {
		if info, err := FormatPosition(w, false); err == nil {
			t.Errorf("%+v gives %q, want an error", w, info)
		}
	}
}

func TestPositionGoesOutAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := message.Where{
			Lat:       rapid.Float64Range(-90, 90).Draw(t, "lat"),
			Lon:       rapid.Float64Range(-180, 180).Draw(t, "lon"),
			Ambiguity: rapid.IntRange(0, 4).Draw(t, "ambiguity"),
			Comment:   rapid.String().Draw(t, "comment"),
		}
		if rapid.Bool().Draw(t, "has altitude") {
			alt := rapid.Float64Range(-500, 20000).Draw(t, "alt")
			w.Alt = &alt
		}
		info, err := FormatPosition(w, true)
		if err != nil {
			return // 0/0
		}
		if len(info) > 20+maxComment || !printable(info) {
			t.Fatalf("%q is too long or not printable", info)
		}
		got, err := ParsePosition(info, noon)
		if err != nil {
			t.Fatalf("%q: %v", info, err)
		}
		// Half a hundredth of a minute, or what the ambiguity hides.
		within := []float64{0.5, 10, 100, 1000, 6000}[w.Ambiguity]/hundredths + 1e-4
		if math.Abs(got.Lat-w.Lat) > within || math.Abs(got.Lon-w.Lon) > within || got.Ambiguity != w.Ambiguity {
			t.Fatalf("%+v became %+v by %q", w, got, info)
		}
		if again, err := FormatPosition(got, true); err != nil || again != info && w.Comment == "" {
			t.Fatalf("%q reads as %+v, which prints as %q, %v", info, got, again, err)
		}
	})
}
