package report

import (
	"maps"
	"math"
	"slices"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// Tally counts log lines. Its memory grows by eight bytes a delivered text and
// with the length of the span, not with the texts.
type Tally struct {
	kinds     map[message.Kind]int
	results   map[message.Precedence]map[string]int // of texts
	delays    map[message.Precedence][]float64      // seconds, of delivered texts
	minutes   map[int64]*Bar                        // by Unix minute
	exercises map[string]int
	unsure    int
}

// NewTally starts at nothing.
func NewTally() *Tally {
	return &Tally{
		kinds:     map[message.Kind]int{},
		results:   map[message.Precedence]map[string]int{},
		delays:    map[message.Precedence][]float64{},
		minutes:   map[int64]*Bar{},
		exercises: map[string]int{},
	}
}

// The results that a row counts by name; anything else counts as open.
const (
	delivered = "delivered"
	sent      = "sent"
	failed    = "failed"
	expired   = "expired"
	dropped   = "dropped"
	taken     = "taken"
	refused   = "refused"
)

// Add counts one line.
func (t *Tally) Add(l *desk.Line) {
	n := max(1, l.More)
	t.kinds[l.Kind] += n
	if l.Accepted.Unsure {
		t.unsure++
	}
	if l.Kind != message.Text {
		return
	}
	if t.results[l.Precedence] == nil {
		t.results[l.Precedence] = map[string]int{}
	}
	t.results[l.Precedence][l.Result] += n
	if l.Exercise != "" {
		t.exercises[l.Exercise]++
	}
	if l.Result == refused {
		return // nothing was taken over
	}
	t.bar(l.Accepted.At).Accepted++
	if l.Result == delivered {
		t.bar(l.Ended.At).Delivered++
		if l.Seconds != nil {
			t.delays[l.Precedence] = append(t.delays[l.Precedence], *l.Seconds)
		}
	}
}

func (t *Tally) bar(at time.Time) *Bar {
	minute := at.Unix() / 60
	if t.minutes[minute] == nil {
		t.minutes[minute] = &Bar{}
	}
	return t.minutes[minute]
}

// Row counts the texts of one precedence, or of all.
type Row struct {
	Precedence string `json:"precedence"` // or "all"
	Texts      int    `json:"texts"`      // all of the row
	Delivered  int    `json:"delivered"`
	Sent       int    `json:"sent"` // where no confirmation exists
	Open       int    `json:"open"`
	Failed     int    `json:"failed"`
	Expired    int    `json:"expired"`
	Dropped    int    `json:"dropped"`
	Taken      int    `json:"taken"` // another gateway of the mesh has it
	Refused    int    `json:"refused"`
	// Share is the part that was delivered of those that could be confirmed and
	// were this gateway's: all but Sent, Taken and Refused. Nil: there was none.
	Share *float64 `json:"delivered_share"`
	// Median and P95 are of the time from accept to the end-to-end confirmation,
	// by nearest rank; nil: nothing was delivered.
	Median *float64 `json:"median_seconds"`
	P95    *float64 `json:"p95_seconds"`
}

// Count is a number with its name.
type Count struct {
	Name string `json:"name"`
	N    int    `json:"count"`
}

// Bar is one piece of the time line.
type Bar struct {
	Start     time.Time `json:"start"`
	Accepted  int       `json:"accepted"`
	Delivered int       `json:"delivered"`
}

// Summary is all that is counted.
type Summary struct {
	Station   string    `json:"station"`
	Span      desk.Span `json:"span"`
	Made      time.Time `json:"made"`
	Messages  int       `json:"messages"` // of every kind, those that were refused included
	Kinds     []Count   `json:"kinds"`
	Rows      []Row     `json:"precedences"`
	Total     Row       `json:"total"`
	Exercises []Count   `json:"exercises,omitempty"` // texts that were marked
	Unsure    int       `json:"clock_not_trusted,omitempty"`
	Step      string    `json:"timeline_step,omitempty"`
	Timeline  []Bar     `json:"timeline,omitempty"`
}

// Summary sums up what was added.
func (t *Tally) Summary(station string, span desk.Span, made time.Time) Summary {
	s := Summary{Station: station, Span: span, Made: made.UTC().Truncate(time.Second), Unsure: t.unsure}
	for _, k := range []message.Kind{message.Text, message.Receipt, message.Notice} {
		s.Kinds = append(s.Kinds, Count{string(k), t.kinds[k]})
	}
	for _, n := range t.kinds {
		s.Messages += n
	}
	all, every := map[string]int{}, []float64(nil)
	for _, p := range message.Precedences {
		s.Rows = append(s.Rows, row(p.String(), t.results[p], t.delays[p]))
	}
	for p, results := range t.results {
		for result, n := range results {
			all[result] += n
		}
		every = append(every, t.delays[p]...)
	}
	s.Total = row("all", all, every)
	for _, name := range slices.Sorted(maps.Keys(t.exercises)) {
		s.Exercises = append(s.Exercises, Count{name, t.exercises[name]})
	}
	s.Timeline, s.Step = t.timeline()
	return s
}

func row(name string, results map[string]int, delays []float64) Row {
	r := Row{
		Precedence: name, Delivered: results[delivered], Sent: results[sent], Failed: results[failed],
		Expired: results[expired], Dropped: results[dropped], Taken: results[taken], Refused: results[refused],
	}
	for _, n := range results {
		r.Texts += n
	}
	r.Open = r.Texts - r.Delivered - r.Sent - r.Failed - r.Expired - r.Dropped - r.Taken - r.Refused
	if could := r.Texts - r.Sent - r.Taken - r.Refused; could > 0 {
		share := float64(r.Delivered) / float64(could)
		r.Share = &share
	}
	slices.Sort(delays)
	r.Median, r.P95 = percentile(delays, 50), percentile(delays, 95)
	return r
}

// percentile gives the p-th percentile of sorted values by nearest rank: the
// least of them that is not below p percent of all.
func percentile(sorted []float64, p float64) *float64 {
	if len(sorted) == 0 {
		return nil
	}
	rank := int(math.Ceil(p / 100 * float64(len(sorted))))
	return &sorted[max(rank, 1)-1]
}

// The lengths that a bar of the time line may have, and how many bars there are
// at most.
var steps = []time.Duration{
	time.Minute, 5 * time.Minute, 10 * time.Minute, 30 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour,
	24 * time.Hour, 7 * 24 * time.Hour, 30 * 24 * time.Hour,
}

const mostBars = 60

// timeline gathers the minutes into bars, the empty ones between them included.
func (t *Tally) timeline() ([]Bar, string) {
	if len(t.minutes) == 0 {
		return nil, ""
	}
	minutes := slices.Sorted(maps.Keys(t.minutes))
	first, last := minutes[0]*60, minutes[len(minutes)-1]*60
	seconds := int64(0)
	for _, step := range steps {
		if seconds = int64(step / time.Second); last/seconds-first/seconds < mostBars {
			break
		}
	}
	start := first / seconds
	if last/seconds-start >= mostBars { // a wrong clock: years between two messages
		last = (start + mostBars - 1) * seconds
	}
	bars := make([]Bar, last/seconds-start+1)
	for i := range bars {
		bars[i].Start = time.Unix((start+int64(i))*seconds, 0).UTC()
	}
	for _, m := range minutes {
		i := min(m*60/seconds-start, int64(len(bars)-1))
		bars[i].Accepted += t.minutes[m].Accepted
		bars[i].Delivered += t.minutes[m].Delivered
	}
	return bars, desk.Brief(time.Duration(seconds) * time.Second)
}
