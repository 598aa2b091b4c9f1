package web

import (
	"context"
	"embed"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"

	"posthouse/bridge/config"
)

// page is the operator's page: one screen that answers the operator's questions
// in the order in which they are asked, and takes orders from those who have
// logged in. It works without JavaScript; with it, it is live.
type page struct {
	desk      Desk
	healthy   func() error
	lack      func() string
	clock     func() bool // whether the clock is trusted
	operators []config.Operator
	host      string // the one that it listens on, as in the settings
	log       *slog.Logger
	end       <-chan struct{} // serving ends

	sessions sessions
	door     door
	hashing  chan struct{} // a place for the one password that is being checked
	streams  chan struct{} // a place for each live client
	reports  chan struct{} // a place for the one report that is being made
	looks    looks
}

// maxForm bounds a form in bytes.
const maxForm = 64 << 10

//go:embed page
var files embed.FS

// templates are read when the first page is asked for: a start has no time for them.
var templates = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("").Funcs(words).ParseFS(files, "page/*.gohtml"))
})

func newPage(ctx context.Context, p *Public, log *slog.Logger) *page {
	return &page{
		desk: p.Desk, healthy: p.Healthy, lack: p.lack, clock: func() bool { return p.clockDoubt() == "" }, operators: p.Operators, host: hostOf(p.Listen), log: log, end: ctx.Done(),
		hashing: make(chan struct{}, 1), streams: make(chan struct{}, maxStreams), reports: make(chan struct{}, 1),
	}
}

// handler serves the page, behind the rules of pageguard.go.
func (p *page) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", p.reader(p.main))
	mux.HandleFunc("GET /message", p.reader(p.message))
	mux.HandleFunc("GET /events", p.reader(p.events))
	mux.HandleFunc("GET /day", p.reader(p.day))
	mux.HandleFunc("GET /more", p.reader(p.more))
	mux.HandleFunc("GET /report", p.reader(p.report))
	mux.HandleFunc("GET /login", p.loginForm)
	mux.HandleFunc("POST /login", p.login)
	mux.HandleFunc("POST /logout", p.operator(p.logout))
	mux.HandleFunc("POST /send", p.operator(p.send))
	mux.HandleFunc("POST /order", p.operator(p.order))
	mux.HandleFunc("POST /quiet", p.operator(p.quiet))
	mux.HandleFunc("POST /resume", p.operator(p.resume))
	mux.HandleFunc("POST /exercise/start", p.operator(p.startExercise))
	mux.HandleFunc("POST /exercise/stop", p.operator(p.stopExercise))
	mux.HandleFunc("POST /block", p.operator(p.block))
	mux.HandleFunc("POST /unblock", p.operator(p.unblock))
	assets, err := fs.Sub(files, "page")
	if err != nil {
		panic(err) // the folder is part of the program
	}
	for _, name := range []string{"style.css", "page.js", "plots.js", "icon.svg", "uplot/uPlot.iife.min.js", "uplot/uPlot.min.css"} {
		mux.HandleFunc("GET /page/"+name, func(w http.ResponseWriter, r *http.Request) { http.ServeFileFS(w, r, assets, name) })
	}
	return p.guard(mux)
}

// show writes a template.
func (p *page) show(w http.ResponseWriter, status int, name string, data any) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	if err := templates().ExecuteTemplate(w, name, data); err != nil {
		p.log.Debug("the page was not written to its end", "err", err) // its reader is gone
	}
}
