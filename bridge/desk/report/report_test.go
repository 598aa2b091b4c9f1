package report

import (
	"bytes"
	"flag"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

var update = flag.Bool("update", false, "write the golden files")

// The nearest-rank method as NIST/SEMATECH e-Handbook and common textbooks show
// it by these five values (from memory).
func TestPercentileByNearestRank(t *testing.T) {
	list := []float64{15, 20, 35, 40, 50}
	for _, c := range []struct{ p, want float64 }{{5, 15}, {30, 20}, {40, 20}, {50, 35}, {95, 50}, {100, 50}} {
		if got := percentile(list, c.p); got == nil || *got != c.want {
			t.Errorf("percentile %v: %v, want %v", c.p, got, c.want)
		}
	}
	if percentile(nil, 50) != nil {
		t.Error("there is a percentile of nothing")
	}
}

var start = time.Date(2026, 11, 25, 14, 5, 0, 0, time.UTC)

func text(n int, p message.Precedence, result string, took float64) desk.Line {
	at := start.Add(time.Duration(n) * time.Minute)
	l := desk.Line{Result: result, Head: desk.Head{
		ID: "N0QRZ-10." + string(rune('0'+n)), Accepted: desk.Moment{At: at}, Kind: message.Text, Precedence: p,
		From: "N0QRA-7", To: "N0QRB-9", In: "valley", Text: "hello",
	}}
	if took > 0 {
		l.Seconds, l.Ended = &took, desk.Moment{At: at.Add(time.Duration(took) * time.Second)}
	}
	return l
}

func lines() []desk.Line {
	all := []desk.Line{
		text(0, message.Emergency, "delivered", 12),
		text(1, message.Routine, "delivered", 30),
		text(2, message.Routine, "expired", 86400),
		text(3, message.Routine, "open", 0),
		text(4, message.Welfare, "sent", 2),
		text(5, message.Priority, "failed", 3),
	}
	all[0].Text = `<script>alert("x")</script>`
	all[0].Steps = []desk.Step{{At: all[0].Accepted, What: "accepted", Link: "valley", Note: "hill"}, {At: all[0].Ended, What: "delivered", Link: "hill", Note: "N0QRB-9"}}
	all[2].Why, all[2].Ways = "sent, not confirmed", []desk.Way{{Link: "hill", Station: "N0QRB-9", State: "expired", Tries: 3}}
	all[3].Why, all[3].Accepted.Unsure = "until N0QRB-9 is heard", true
	all[5].Why = "no such mailbox"
	return append(all, desk.Line{Result: "delivered", About: all[0].ID, Head: desk.Head{
		ID: "N0QRZ-10.7", Accepted: all[0].Ended, Kind: message.Receipt, From: "N0QRB-9", To: "N0QRA-7",
	}})
}

func tally(all []desk.Line) Summary {
	t := NewTally()
	for i := range all {
		t.Add(&all[i])
	}
	return t.Summary("N0QRZ-10", desk.Span{Since: start, Until: start.Add(time.Hour)}, start.Add(2*time.Hour))
}

func TestSummary(t *testing.T) {
	s := tally(lines())
	if s.Messages != 7 || s.Unsure != 1 || s.Kinds[0].N != 6 || s.Kinds[1].N != 1 {
		t.Errorf("counts %+v", s)
	}
	r := s.Total
	if r.Texts != 6 || r.Delivered != 2 || r.Sent != 1 || r.Open != 1 || r.Expired != 1 || r.Failed != 1 {
		t.Errorf("total %+v", r)
	}
	if *r.Share != 0.4 || *r.Median != 12 || *r.P95 != 30 { // 2 of 5; 12 and 30 s
		t.Errorf("share %v median %v p95 %v", *r.Share, *r.Median, *r.P95)
	}
	accepted, arrived := 0, 0
	for _, b := range s.Timeline {
		accepted, arrived = accepted+b.Accepted, arrived+b.Delivered
	}
	if accepted != r.Texts || arrived != r.Delivered || s.Step != "1m" {
		t.Errorf("the time line has %d and %d texts in pieces of %s", accepted, arrived, s.Step)
	}
}

// What was refused counts as that, and nowhere else; a line may stand for many.
func TestRefusedTextsAreCountedAndShown(t *testing.T) {
	one := text(1, message.Priority, "refused", 0)
	one.ID, one.Code, one.Why = "", "too-long", "does not fit into 4 parts"
	many := text(2, message.Unset, "refused", 0)
	many.ID, many.Head.From, many.Head.To, many.Head.Text, many.More, many.Why = "", "", "", "", 30, "30 more"
	all := []desk.Line{text(0, message.Routine, "delivered", 5), one, many}
	s := tally(all)
	if r := s.Total; s.Messages != 32 || r.Texts != 32 || r.Refused != 31 || r.Open != 0 || *r.Share != 1 || s.Rows[1].Refused != 1 {
		t.Errorf("%+v", s)
	}
	for _, b := range s.Timeline {
		if b.Accepted > 1 {
			t.Errorf("the time line has %+v", b)
		}
	}
	var b bytes.Buffer
	if err := HTML(&b, s, slices.Values(all)); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"too-long: does not fit into 4 parts", "30 more"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// A clock that was wrong puts decades between two messages.
func TestTimelineStaysShort(t *testing.T) {
	for _, years := range []int{0, 1, 5, 50, 500} {
		late := text(1, message.Routine, "delivered", 5)
		late.Accepted.At = late.Accepted.At.AddDate(years, 0, 0)
		late.Ended = late.Accepted
		s := tally([]desk.Line{text(0, message.Routine, "open", 0), late})
		n := 0
		for _, b := range s.Timeline {
			n += b.Accepted
		}
		if len(s.Timeline) > mostBars || n != 2 {
			t.Errorf("%d years: %d bars with %d texts", years, len(s.Timeline), n)
		}
	}
}

func TestHTMLGolden(t *testing.T) {
	all := lines()
	var b bytes.Buffer
	if err := HTML(&b, tally(all), slices.Values(all)); err != nil {
		t.Fatal(err)
	}
	const name = "testdata/report.html"
	if *update {
		if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("the page differs from %s; look at it with -update and git diff", name)
	}
	page := b.String()
	for _, l := range all {
		if !strings.Contains(page, `id="m`+l.ID+`"`) {
			t.Errorf("%s has no story", l.ID)
		}
	}
	if strings.Contains(page, "<script") {
		t.Error("a text became part of the page")
	}
	if found := regexp.MustCompile(`(?i)(src|href)="[^#]|url\(|@import|https?:`).FindString(page); found != "" {
		t.Errorf("the page needs something from outside: %s", found)
	}
}

func TestHTMLOfNothing(t *testing.T) {
	var b bytes.Buffer
	if err := HTML(&b, tally(nil), slices.Values([]desk.Line(nil))); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"There is no message in this span", "Everything that can be confirmed was delivered"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestCellsKeepSpreadsheetsFromComputing(t *testing.T) {
	l := text(1, message.Routine, "delivered", 12.5)
	for in, want := range map[string]string{"=1+1": "'=1+1", "@x": "'@x", "-5 degrees": "'-5 degrees", "hello": "hello", "": ""} {
		l.Text = in
		cells := Cells(&l)
		if len(cells) != len(Columns) {
			t.Fatalf("%d cells, %d columns", len(cells), len(Columns))
		}
		if got := cells[len(cells)-1]; got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}
