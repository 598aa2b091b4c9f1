package web

import (
	"crypto/rand"
	"crypto/sha256"
	"net/http"
	"sync"
	"time"
)

const (
	sessionCookie = "posthouse_session"
	sessionTime   = 12 * time.Hour
	maxSessions   = 64
)

// session is one operator's login. It is gone after a restart.
type session struct {
	call  string
	token string // in each of its forms, so that no other page can send one
	ends  time.Time

	mu    sync.Mutex
	said  *reply // about the last order, shown once
	draft draft  // a message that was refused, to be mended
}

// reply is the gateway's word about an order.
type reply struct {
	Text   string
	Failed bool
}

// draft is a message that is being written.
type draft struct{ To, Text, Precedence string }

// tell keeps a word for the next page that is shown.
func (s *session) tell(word reply, d draft) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.said, s.draft = &word, d
}

// told takes the word.
func (s *session) told() (*reply, draft) {
	s.mu.Lock()
	defer s.mu.Unlock()
	word, d := s.said, s.draft
	s.said, s.draft = nil, draft{}
	return word, d
}

// sessions are found by the hash of their cookie: comparing it tells nobody how
// near a guess was.
type sessions struct {
	mu  sync.Mutex
	all map[[sha256.Size]byte]*session
}

// begin logs an operator in and gives the cookie's value. When there are too
// many, the oldest one ends.
func (ss *sessions) begin(call string) (cookie string) {
	ss.mu.Lock()
	defer ss.mu.Unlock()
	ss.expire()
	if ss.all == nil {
		ss.all = map[[sha256.Size]byte]*session{}
	}
	for len(ss.all) >= maxSessions {
		ss.endOldest()
	}
	cookie = rand.Text()
	ss.all[sha256.Sum256([]byte(cookie))] = &session{call: call, token: rand.Text(), ends: time.Now().Add(sessionTime)}
	return cookie
}

func (ss *sessions) expire() {
	for key, s := range ss.all {
		if !time.Now().Before(s.ends) {
			delete(ss.all, key)
		}
	}
}

func (ss *sessions) endOldest() {
	var oldest [sha256.Size]byte
	var ends time.Time
	for key, s := range ss.all {
		if ends.IsZero() || s.ends.Before(ends) {
			oldest, ends = key, s.ends
		}
	}
	delete(ss.all, oldest)
}

// of gives the session of a request; nil: none.
func (ss *sessions) of(r *http.Request) *session {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return nil
	}
	ss.mu.Lock()
	defer ss.mu.Unlock()
	ss.expire()
	return ss.all[sha256.Sum256([]byte(c.Value))]
}

// stop ends a session.
func (ss *sessions) stop(s *session) {
	ss.mu.Lock()
	defer ss.mu.Unlock()
	for key, other := range ss.all {
		if other == s {
			delete(ss.all, key)
		}
	}
}

// setCookie gives a session to the browser; no script sees it, and no other site
// sends it. An empty value takes it away.
func setCookie(w http.ResponseWriter, r *http.Request, value string) {
	c := &http.Cookie{
		Name: sessionCookie, Value: value, Path: "/", MaxAge: int(sessionTime / time.Second), HttpOnly: true, SameSite: http.SameSiteStrictMode,
		Secure: r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https",
	}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}
