package web

import (
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// view is a page: a look, and who looks.
type view struct {
	*look
	Operator  string // empty: not logged in
	Token     string
	Operators bool // there is somebody who can log in
	Said      *reply
	Draft     draft
}

func (p *page) view(l *look, s *session) view {
	v := view{look: l, Operators: len(p.operators) > 0}
	if s != nil {
		v.Operator, v.Token = s.call, s.token
	}
	return v
}

// main shows the whole page.
func (p *page) main(w http.ResponseWriter, r *http.Request, s *session) {
	l, err := p.look(r.Context())
	if err != nil {
		p.log.Error("the page cannot be shown", "err", err)
		http.Error(w, "The page cannot be shown: "+err.Error(), http.StatusServiceUnavailable)
		return
	}
	v := p.view(l, s)
	if s != nil {
		v.Said, v.Draft = s.told()
	}
	p.show(w, http.StatusOK, "page.gohtml", v)
}

// storyView is the page of one message.
type storyView struct {
	view
	Story desk.Story
	Links []string // by which it may be sent instead
}

// message tells everything of one message.
func (p *page) message(w http.ResponseWriter, r *http.Request, s *session) {
	story, err := p.desk.Story(r.Context(), r.URL.Query().Get("id"))
	switch {
	case errors.Is(err, desk.ErrUnknown), errors.Is(err, desk.ErrUsage):
		http.Error(w, err.Error(), http.StatusNotFound)
		return
	case err != nil:
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	v := p.view(&look{Station: p.desk.Station()}, s)
	if s != nil {
		v.Said, v.Draft = s.told()
	}
	var links []string
	for _, l := range p.desk.Links() {
		if len(story.Ways) != 1 || story.Ways[0].Link != l.Name {
			links = append(links, l.Name)
		}
	}
	p.show(w, http.StatusOK, "message.gohtml", storyView{v, story, links})
}

// words are what the templates need to speak to people.
var words = template.FuncMap{
	"ago":         ago,
	"percent":     func(f float64) string { return fmt.Sprintf("%.0f %%", 100*f) },
	"part":        func(f float64) float64 { return min(max(f, 0), 1) },
	"locator":     locator,
	"urgent":      func(p message.Precedence) bool { return p == message.Emergency || p == message.Priority },
	"precedences": func() []string { return []string{"routine", "welfare", "priority", "emergency"} },
	"linkWord":    linkWord,
	"since":       since,
	"took":        func(f *float64) string { return desk.Brief(time.Duration(*f * float64(time.Second))) },
	"air":         func(f float64) string { return fmt.Sprintf("%.0f s", f) },
	"number":      func(f *float64) string { return fmt.Sprintf("%.1f", *f) },
}

// ago gives a length of time so that it does not change every second.
func ago(seconds float64) string {
	if seconds < 60 {
		return "<1m"
	}
	return desk.Brief(time.Duration(min(seconds, 1e9)) * time.Second)
}

// linkWord says how a link is.
func linkWord(l desk.LinkState) string {
	switch {
	case l.Elsewhere:
		return "elsewhere"
	case !l.Up:
		return "down"
	case l.Quiet:
		return "stopped"
	case !l.Transmits:
		return "listens only"
	}
	return "up"
}

// since shortens a link's time for people.
func since(rfc string) string {
	t, err := time.Parse(time.RFC3339, rfc)
	if err != nil {
		return rfc
	}
	return desk.Moment{At: t}.String()
}

// locator is the grid square of a position with six characters (Maidenhead
// locator system, IARU).
func locator(lat, lon *float64) string {
	if lat == nil || lon == nil || !(math.Abs(*lat) <= 90 && math.Abs(*lon) <= 180) {
		return ""
	}
	x, y := min(*lon+180, 359.9999), min(*lat+90, 179.9999)
	letter := func(from byte, f float64) byte { return from + byte(f) }
	return string([]byte{
		letter('A', x/20), letter('A', y/10),
		letter('0', math.Mod(x, 20)/2), letter('0', math.Mod(y, 10)),
		letter('a', math.Mod(x, 2)*12), letter('a', math.Mod(y, 1)*24),
	})
}
