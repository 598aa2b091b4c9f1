package web

import (
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"golang.org/x/crypto/bcrypt"

	"posthouse/bridge/desk"
)

// loginView is what the login page shows.
type loginView struct {
	Operators bool // there is somebody who can log in
	Said      string
}

func (p *page) loginForm(w http.ResponseWriter, _ *http.Request) { p.showLogin(w, http.StatusOK, "") }

func (p *page) showLogin(w http.ResponseWriter, status int, word string) {
	p.show(w, status, "login.gohtml", loginView{len(p.operators) > 0, word})
}

// login checks call sign and password, and begins a session.
func (p *page) login(w http.ResponseWriter, r *http.Request) {
	from := address(r.RemoteAddr)
	if wait := p.door.knock(from); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
		p.showLogin(w, http.StatusTooManyRequests, "Too many tries from your address. Try again in "+desk.Brief(wait+time.Second-1)+".")
		return
	}
	select {
	case p.hashing <- struct{}{}:
	case <-time.After(requestTime / 2): // one password at a time: a check keeps a small computer busy for a second
		p.showLogin(w, http.StatusServiceUnavailable, "Others are logging in. Try again.")
		return
	}
	call := strings.ToUpper(strings.TrimSpace(r.PostFormValue("call")))
	ok := p.knows(call, r.PostFormValue("password"))
	<-p.hashing
	if !ok {
		p.log.Warn("login refused", "address", from.String())
		p.showLogin(w, http.StatusForbidden, "This call sign and password do not fit together.")
		return
	}
	p.door.opened(from)
	p.log.Info("operator logged in", "by", call, "address", from.String())
	setCookie(w, r, p.sessions.begin(call))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// knows checks a password. It takes as long for a call sign that is not there.
func (p *page) knows(call, password string) bool {
	if len(p.operators) == 0 {
		return false
	}
	o, found := p.operators[0], false
	for _, each := range p.operators {
		if each.Call == call {
			o, found = each, true
		}
	}
	return bcrypt.CompareHashAndPassword([]byte(o.Hash.Reveal()), []byte(password)) == nil && found
}

func (p *page) logout(w http.ResponseWriter, r *http.Request, s *session) {
	p.sessions.stop(s)
	setCookie(w, r, "")
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
