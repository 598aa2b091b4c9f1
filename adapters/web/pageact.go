package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// done are the orders that the page has, with its word when one is carried out.
var done = map[string]string{
	desk.Hold: "is held until you release it", desk.Release: "goes on", desk.Retry: "is tried now", desk.Drop: "is dropped",
	desk.Move: "is moved",
}

// order does one thing with one message: the button's value is "hold N0QRZ-10.12".
func (p *page) order(w http.ResponseWriter, r *http.Request, s *session) {
	do, id, _ := strings.Cut(r.PostFormValue("order"), " ")
	word, known := done[do]
	err := fmt.Errorf("%w: the page has no such order", desk.ErrUsage)
	if known {
		_, err = p.desk.Order(r.Context(), desk.Order{Do: do, ID: id, Link: r.PostFormValue("link"), By: s.call})
	}
	back := "/"
	if r.PostFormValue("back") == "message" {
		back = "/message?id=" + url.QueryEscape(id)
	}
	p.answer(w, r, s, back, id+" "+word+".", err, draft{})
}

// send hands in a message of the gateway's own.
func (p *page) send(w http.ResponseWriter, r *http.Request, s *session) {
	d := draft{strings.TrimSpace(r.PostFormValue("to")), r.PostFormValue("text"), r.PostFormValue("precedence")}
	precedence, err := message.ParsePrecedence(d.Precedence)
	var id string
	if err == nil {
		id, err = p.desk.Send(r.Context(), desk.Draft{To: d.To, Text: d.Text, Precedence: precedence, By: s.call})
	}
	if err == nil {
		d = draft{}
	}
	p.answer(w, r, s, "/", "Your message is in the queue as "+id+".", err, d)
}

// quiet stops all sending, on one link or on all.
func (p *page) quiet(w http.ResponseWriter, r *http.Request, s *session) {
	link := r.PostFormValue("link")
	err := p.desk.Quiet(r.Context(), link, s.call)
	p.answer(w, r, s, "/", "Sending is stopped on "+links(link)+". Receiving and queueing go on.", err, draft{})
}

// resume undoes quiet.
func (p *page) resume(w http.ResponseWriter, r *http.Request, s *session) {
	link := r.PostFormValue("link")
	err := p.desk.Resume(r.Context(), link, s.call)
	p.answer(w, r, s, "/", "Sending goes on, on "+links(link)+".", err, draft{})
}

// links names a link, or all of them.
func links(name string) string {
	if name == "all" {
		return "all links"
	}
	return name
}

// answer leads back to a page, which says what became of the order.
func (p *page) answer(w http.ResponseWriter, r *http.Request, s *session, back, word string, err error, d draft) {
	p.looks.forget()
	if err != nil {
		word = "Not done: " + err.Error()
	}
	s.tell(reply{word, err != nil}, d)
	http.Redirect(w, r, back, http.StatusSeeOther)
}
