package callsign

import (
	"encoding/csv"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// example is a row of testdata/examples.csv (source: testdata/SOURCES.md).
type example struct{ input, valid, base, ssid, before, after, iso, why string }

func examples(t testing.TB) []example {
	f, err := os.Open("testdata/examples.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var list []example
	for _, r := range rows[1:] {
		list = append(list, example{r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7]})
	}
	if len(list) < 80 {
		t.Fatalf("only %d examples", len(list))
	}
	return list
}

func TestParseExamples(t *testing.T) {
	for _, e := range examples(t) {
		c, err := Parse(e.input)
		if e.valid == "0" {
			if err == nil || err.Error() != e.why {
				t.Errorf("%q: got error %v, want %q", e.input, err, e.why)
			}
			if c != (Call{}) {
				t.Errorf("%q: a call comes with the error: %+v", e.input, c)
			}
			continue
		}
		if err != nil {
			t.Errorf("%q: %v", e.input, err)
			continue
		}
		ssid, _ := strconv.Atoi(e.ssid)
		if want := (Call{e.base, ssid, e.before, e.after}); c != want {
			t.Errorf("%q: got %+v, want %+v", e.input, c, want)
		}
		if iso, name := c.Country(); iso != e.iso || name == "" {
			t.Errorf("%q: country %q %q, want %q", e.input, iso, name, e.iso)
		}
		if got := Base(c.String()); got != e.base {
			t.Errorf("%q: Base(%q) = %q, want %q", e.input, c, got, e.base)
		}
	}
}

func TestString(t *testing.T) {
	for in, want := range map[string]string{
		" n0qra-0 ":         "N0QRA", // SSID 0 is not written
		"n0qra-7":           "N0QRA-7",
		"dl/n0qra/p-7":      "DL/N0QRA/P-7",
		"N0QRA/MM":          "N0QRA/MM",
		"\tVP2E/N0QRA-15\n": "",
	} {
		c, err := Parse(in)
		if want == "" {
			if err != ErrTwoCalls { // VP2E is itself a call of the shape
				t.Errorf("%q: got %v, want %v", in, err, ErrTwoCalls)
			}
			continue
		}
		if err != nil || c.String() != want {
			t.Errorf("%q: got %q, %v, want %q", in, c, err, want)
		}
	}
}

func TestExtraAndLongOnlyWhereTheOperatorAddsThem(t *testing.T) {
	table := Table{Extra: []string{"1A", "Z6"}, Long: true}
	for in, without := range map[string]error{
		"1A0QRA":     ErrShape,
		"Z61QRA":     ErrSeries,
		"Z61QRA/P-3": ErrSeries,
		"DL2026QRAB": ErrShape, // RR 19.68A
		"N0QRABCD-1": ErrShape,
	} {
		if _, err := Parse(in); err != without {
			t.Errorf("Parse(%q) = %v, want %v", in, err, without)
		}
		c, err := table.Parse(in)
		if err != nil || Base(c.String()) != c.Base {
			t.Errorf("Table.Parse(%q) = %+v, %v; Base %q", in, c, err, Base(in))
		}
	}
	if _, err := table.Parse("E81QRA"); err != ErrSeries {
		t.Errorf("a start that was not added: %v", err)
	}
	if iso, name := (Call{Base: "1A0QRA"}).Country(); iso != "" || name != "" {
		t.Errorf("an added start has no country, got %q %q", iso, name)
	}
}

func TestAX25(t *testing.T) {
	for in, want := range map[string]bool{
		"N0QRA": true, "VK9QTZ-10": true, "3DA0QUX": false, "N0QRA/P": false, "DL/N0QRA": false,
	} {
		if c, err := Parse(in); err != nil || c.AX25() != want {
			t.Errorf("%s: got %v, %v, want %v", in, c.AX25(), err, want)
		}
	}
}

func TestBaseLeavesAloneWhatIsNoCall(t *testing.T) {
	for _, s := range []string{"", "ALL", "WX-1", "TEAM-3", "TEAM3", "BLN1", "POST", "eoc@county.example", "N0QRA-16", "-", "/", "a/b", "N0QRA//P"} {
		if got := Base(s); got != s {
			t.Errorf("Base(%q) = %q", s, got)
		}
	}
	if !Same("N0QRA-7", "DL/N0QRA/P") || Same("N0QRA", "N0QRB") {
		t.Error("Same compares the licence")
	}
}

// RR Appendix 42 has no overlaps, and the file holds all of its lines.
func TestSeriesTable(t *testing.T) {
	if len(allocation) != 308 {
		t.Fatalf("%d series, want 308", len(allocation))
	}
	for i := 1; i < len(allocation); i++ {
		if allocation[i].from <= allocation[i-1].to {
			t.Errorf("%+v overlaps %+v", allocation[i], allocation[i-1])
		}
	}
	for _, c := range []struct{ call, iso, name string }{ // common knowledge
		{"DL0QRA", "DE", "Germany"}, {"4U1QRA", "", "United Nations"}, {"SSA1QRA", "EG", "Egypt"}, {"SSN1QRA", "SD", "Sudan"},
	} {
		p, err := Parse(c.call)
		if iso, name := p.Country(); err != nil || iso != c.iso || !strings.HasPrefix(name, c.name) {
			t.Errorf("%s: %q %q %v", c.call, iso, name, err)
		}
	}
}

// A call sign that was read reads the same from its canonical form.
func TestCanonicalFormIsStable(t *testing.T) {
	parts := rapid.SliceOfN(rapid.SampledFrom([]string{
		"N0QRA", "DL", "DL1QRA", "P", "MM", "-7", "-0", "-15", "/", "3DA0QUX", "K21QRA", "1A2B", "4", "-", "Q", "0", "Z61QRA",
	}), 1, 5)
	rapid.Check(t, func(t *rapid.T) { stable(t, strings.Join(parts.Draw(t, "parts"), "")) })
}

func FuzzParse(f *testing.F) {
	for _, e := range examples(f) {
		f.Add(e.input)
	}
	f.Fuzz(func(t *testing.T, s string) { stable(t, s) })
}

func stable(t interface {
	Fatalf(string, ...any)
}, s string) {
	for _, table := range []Table{{}, {Extra: []string{"1A", "Z6"}, Long: true}} {
		c, err := table.Parse(s)
		if err != nil {
			if !slices.Contains([]error{ErrEmpty, ErrCharacter, ErrNoCall, ErrSSID, ErrSlash, ErrMark, ErrTwoCalls, ErrShape, ErrSeries}, err) {
				t.Fatalf("%q: foreign error %v", s, err)
			}
			if c != (Call{}) {
				t.Fatalf("%q: call %+v with error %v", s, c, err)
			}
			continue
		}
		again, err := table.Parse(c.String())
		if err != nil || again != c {
			t.Fatalf("%q: %q reads as %+v, %v", s, c, again, err)
		}
		if Base(c.String()) != c.Base {
			t.Fatalf("%q: Base(%q) = %q, want %q", s, c, Base(c.String()), c.Base)
		}
		if c.SSID < 0 || c.SSID > 15 || len(c.String()) > 25 {
			t.Fatalf("%q: %+v out of limits", s, c)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("n0qra-7"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBase(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if Base("N0QRA-7") != "N0QRA" {
			b.Fatal("wrong base")
		}
	}
}

func TestUpperMakesNoCallSignOfWhatIsNone(t *testing.T) {
	for in, want := range map[string]string{
		"n0qra-7": "N0QRA-7", "élan": "ÉLAN", "n0qſa": "N0QſA", "n0qrı": "N0QRı", "": "",
	} {
		if got := Upper(in); got != want {
			t.Errorf("Upper(%q) = %q, want %q", in, got, want)
		}
	}
	for r := rune(0x80); r <= unicode.MaxRune; r++ {
		if unicode.ToUpper(r) == r {
			continue
		}
		if _, err := Parse(Upper("N0Q" + string(r))); err == nil {
			t.Errorf("with %q it became a call sign", r)
		}
	}
}
