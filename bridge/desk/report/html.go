package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"iter"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

//go:embed report.gohtml
var page string

// pageTemplate is read for the first report: a start has no time for it.
var pageTemplate = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("report").Funcs(template.FuncMap{
		"share": share, "brief": brief, "utc": utc, "ways": func(l desk.Line) string { return Ways(&l) }, "height": height, "word": word, "precedence": shown,
	}).Parse(page))
})

// HTML writes the report as one page with nothing outside of it, for screens and
// printers. lines gives all the lines that were counted, each time anew.
func HTML(w io.Writer, s Summary, lines iter.Seq[desk.Line]) error {
	err := pageTemplate().Execute(w, struct {
		Summary
		Lines       iter.Seq[desk.Line]
		Undelivered iter.Seq[desk.Line]
		Highest     int
		Last        time.Time // where the last bar of the time line begins
	}{s, lines, only(lines, undelivered), highest(s.Timeline), last(s.Timeline)})
	if err != nil {
		return fmt.Errorf("writing the report: %w", err)
	}
	return nil
}

// only passes on some of the lines.
func only(lines iter.Seq[desk.Line], keep func(*desk.Line) bool) iter.Seq[desk.Line] {
	return func(yield func(desk.Line) bool) {
		for l := range lines {
			if keep(&l) && !yield(l) {
				return
			}
		}
	}
}

// undelivered tells that a text did not arrive, or has not yet.
func undelivered(l *desk.Line) bool {
	switch l.Result {
	case delivered, sent, taken:
		return false
	}
	return l.Kind == message.Text
}

func highest(bars []Bar) int {
	top := 1
	for _, b := range bars {
		top = max(top, b.Accepted, b.Delivered)
	}
	return top
}

func last(bars []Bar) time.Time {
	if len(bars) == 0 {
		return time.Time{}
	}
	return bars[len(bars)-1].Start
}

// height is that of a bar, of 100.
func height(n, top int) int { return 100 * n / top }

func share(f *float64) string {
	if f == nil {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100**f)
}

func brief(seconds *float64) string {
	if seconds == nil {
		return "–"
	}
	return desk.Brief(time.Duration(*seconds * float64(time.Second)))
}

func utc(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.UTC().Format("2006-01-02 15:04Z")
}

// word is a result as a name of a style.
func word(s string) string { return strings.ReplaceAll(s, " ", "-") }

// shown is a precedence with what its writer asked for.
func shown(l desk.Line) string {
	if l.Claimed != message.Unset {
		return l.Precedence.String() + " (asked for " + l.Claimed.String() + ")"
	}
	return l.Precedence.String()
}
