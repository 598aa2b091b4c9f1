package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/desk/report"
)

// moreView is the page of what is needed now and then: exercise, report, block
// list.
type moreView struct {
	view
	Exercise desk.Exercise
	Blocks   []desk.Block
	Who      string // to be blocked, as a message's page suggests
	Since    string // where a report begins unless somebody says otherwise
}

// formTime is how browsers give a date with a time (HTML Living Standard,
// datetime-local); here it is UTC.
const formTime = "2006-01-02T15:04"

// reportMost bounds a report made by the daemon: it keeps its lines in a file,
// and the disk is small. The command makes longer ones.
const reportMost = 31 * 24 * time.Hour

func (p *page) more(w http.ResponseWriter, r *http.Request, s *session) {
	v := moreView{
		view: p.view(&look{Station: p.desk.Station()}, s), Exercise: p.desk.Exercise(), Blocks: p.desk.Blocks(),
		Who: r.URL.Query().Get("who"), Since: r.URL.Query().Get("since"),
	}
	if _, err := time.Parse(formTime, v.Since); err != nil {
		v.Since = time.Now().UTC().Add(-24 * time.Hour).Format(formTime)
	}
	if s != nil {
		v.Said, v.Draft = s.told()
	}
	p.show(w, http.StatusOK, "more.gohtml", v)
}

// startExercise begins an exercise.
func (p *page) startExercise(w http.ResponseWriter, r *http.Request, s *session) {
	e, err := p.desk.StartExercise(r.Context(), strings.TrimSpace(r.PostFormValue("name")), s.call)
	p.answer(w, r, s, "/more", "The exercise "+e.Name+" is going on: texts of those who take part are marked.", err, draft{})
}

// stopExercise ends it, and leads to its report.
func (p *page) stopExercise(w http.ResponseWriter, r *http.Request, s *session) {
	e, err := p.desk.StopExercise(r.Context(), s.call)
	back := "/more"
	if err == nil {
		back += "?since=" + url.QueryEscape(e.Since.At.UTC().Format(formTime)) + "#report"
	}
	p.answer(w, r, s, back, "The exercise "+e.Name+" is over. The report below begins where it began.", err, draft{})
}

// block refuses somebody from now on.
func (p *page) block(w http.ResponseWriter, r *http.Request, s *session) {
	who := strings.TrimSpace(r.PostFormValue("who"))
	err := p.desk.Block(r.Context(), who, strings.TrimSpace(r.PostFormValue("why")), s.call)
	p.answer(w, r, s, "/more", who+" is blocked, and what waits of them ends.", err, draft{})
}

// unblock takes it back.
func (p *page) unblock(w http.ResponseWriter, r *http.Request, s *session) {
	who := r.PostFormValue("who")
	err := p.desk.Unblock(r.Context(), who, s.call)
	p.answer(w, r, s, "/more", who+" is not blocked any more.", err, draft{})
}

// report gives the report on a span as a file.
func (p *page) report(w http.ResponseWriter, r *http.Request, _ *session) {
	now := time.Now().UTC()
	span, err := reportSpan(r.URL.Query(), now)
	form := r.URL.Query().Get("form")
	kind, known := map[string]string{report.AsHTML: "text/html", report.AsCSV: "text/csv", report.AsJSON: "application/json"}[form]
	if err == nil && !known {
		err = fmt.Errorf("there is no report as %q", form)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	select {
	case p.reports <- struct{}{}:
		defer func() { <-p.reports }()
	default:
		http.Error(w, "A report is being made. Try again when it is done.", http.StatusServiceUnavailable)
		return
	}
	http.NewResponseController(w).SetWriteDeadline(now.Add(readerTime)) // httptest's recorder has none
	lines, err := report.NewSpool()
	if err == nil {
		defer lines.Close()
		err = p.desk.Log(r.Context(), span, true, lines.Add)
	}
	if err != nil {
		p.log.Error("a report could not be made", "err", err)
		http.Error(w, "The report could not be made: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", kind+"; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", p.desk.Station()+"-"+span.Since.Format("20060102T1504Z")+"."+form))
	if err := lines.Write(w, form, p.desk.Station(), span, now); err != nil {
		p.log.Debug("a report was not written to its end", "err", err) // its reader is gone
		panic(http.ErrAbortHandler)                                    // or the browser would take it for whole
	}
}

// reportSpan reads the span of a report, which ends now unless the form says
// otherwise.
func reportSpan(form url.Values, now time.Time) (s desk.Span, err error) {
	s.Until = now.Truncate(time.Second).Add(time.Second)
	if s.Since, err = time.Parse(formTime, form.Get("since")); err != nil {
		return s, fmt.Errorf("%q is no time: write it as 2026-11-25T14:05, in UTC", form.Get("since"))
	}
	if until := form.Get("until"); until != "" {
		if s.Until, err = time.Parse(formTime, until); err != nil {
			return s, fmt.Errorf("%q is no time: write it as 2026-11-25T14:05, in UTC", until)
		}
	}
	switch long := s.Until.Sub(s.Since); {
	case long <= 0:
		return s, fmt.Errorf("the report would end before it begins")
	case long > reportMost:
		return s, fmt.Errorf("a report on more than 31 days is made by the command: posthouse report --since %s", s.Since.Format(time.RFC3339))
	}
	return s, nil
}
