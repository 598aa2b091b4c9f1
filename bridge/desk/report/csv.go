package report

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"posthouse/bridge/desk"
)

// Columns are those of the log and the report as CSV.
var Columns = []string{
	"id", "accepted", "clock_trusted", "kind", "precedence", "claimed", "from", "to", "in", "exercise",
	"result", "code", "why", "ended", "seconds", "tries", "ways", "about", "subject", "text",
}

// Cells gives a line's cells, in the order of Columns. Words from outside that a
// spreadsheet would take for a formula get an apostrophe in front; the log as
// JSON lines has them as they are.
func Cells(l *desk.Line) []string {
	tries := 0
	for _, w := range l.Ways {
		tries += w.Tries
	}
	seconds := ""
	if l.Seconds != nil {
		seconds = strconv.FormatFloat(*l.Seconds, 'f', 3, 64)
	}
	return []string{
		l.ID, stamp(l.Accepted), strconv.FormatBool(!l.Accepted.Unsure), string(l.Kind), l.Precedence.String(), l.Claimed.String(),
		words(l.From), words(l.To), l.In, words(l.Exercise),
		l.Result, l.Code, words(l.Why), stamp(l.Ended), seconds, strconv.Itoa(tries), words(Ways(l)), l.About, words(l.Subject), words(l.Text),
	}
}

func stamp(m desk.Moment) string {
	if m.IsZero() {
		return ""
	}
	return m.At.UTC().Format(time.RFC3339)
}

// words keeps a spreadsheet from computing what somebody wrote.
func words(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Ways tells in one line what became of each way of a message.
func Ways(l *desk.Line) string {
	var out []string
	for _, w := range l.Ways {
		name := w.Link
		if name == "" {
			name = "no link yet"
		}
		if w.Station != l.To {
			name += " to " + w.Station
		}
		if w.Gateway != "" {
			name += " by " + w.Gateway
		}
		if w.Parts > 1 {
			name += fmt.Sprintf(" (%d of %d parts)", w.Acked, w.Parts)
		}
		out = append(out, name+": "+w.State)
	}
	return strings.Join(out, "; ")
}
