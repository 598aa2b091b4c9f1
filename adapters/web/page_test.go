package web

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/bcrypt"
	"pgregory.net/rapid"

	"posthouse/bridge/config"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

var update = flag.Bool("update", false, "write the golden files anew")

const password = "correct horse battery staple"

// busyDesk shows a fixed state, and writes down what it is told to do.
type busyDesk struct {
	desktop
	links    []desk.LinkState
	rows     []desk.Row
	recent   []desk.Line
	stations []desk.Station
	day      []desk.Slot
	err      error // of orders

	mu   sync.Mutex
	told []string
}

func (d *busyDesk) tell(words ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.told = append(d.told, strings.Join(words, " "))
}

// wasTold gives what it was told to do since the last time.
func (d *busyDesk) wasTold() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := strings.Join(d.told, "; ")
	d.told = nil
	return out
}

func (d *busyDesk) Queue(_ context.Context, most int, each func(desk.Row) error) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, r := range d.rows[:min(most, len(d.rows))] {
		if err := each(r); err != nil {
			return err
		}
	}
	return nil
}
func (d *busyDesk) Waiting() int                                     { return len(d.rows) }
func (d *busyDesk) Recent(context.Context, int) ([]desk.Line, error) { return d.recent, nil }
func (d *busyDesk) Links() []desk.LinkState                          { return d.links }
func (d *busyDesk) Stations() []desk.Station                         { return d.stations }
func (d *busyDesk) Day() []desk.Slot                                 { return d.day }
func (d *busyDesk) Blocks() []desk.Block {
	return []desk.Block{{Pattern: "*@junk.example", Why: "POSTHOUSE_BLOCK"}, {Pattern: "N0QRX", Why: "jams", Since: "1999-12-30T10:00:00Z"}}
}
func (d *busyDesk) Block(_ context.Context, pattern, why, by string) error {
	d.tell("block", pattern, why, "by", by)
	return d.err
}
func (d *busyDesk) Unblock(_ context.Context, pattern, by string) error {
	d.tell("unblock", pattern, "by", by)
	return d.err
}
func (d *busyDesk) StartExercise(_ context.Context, name, by string) (desk.Exercise, error) {
	d.tell("start", name, "by", by)
	return desk.Exercise{Name: name, Since: at(0)}, d.err
}
func (d *busyDesk) StopExercise(_ context.Context, by string) (desk.Exercise, error) {
	d.tell("stop by", by)
	return desk.Exercise{Name: "AUTUMN", Since: at(3 * time.Hour)}, d.err
}
func (d *busyDesk) Log(_ context.Context, s desk.Span, steps bool, each func(desk.Line) error) error {
	d.tell("log", s.Since.Format(time.RFC3339), s.Until.Format(time.RFC3339), strconv.FormatBool(steps))
	for _, l := range d.recent {
		if err := each(l); err != nil {
			return err
		}
	}
	return d.err
}
func (d *busyDesk) Exercise() desk.Exercise { return desk.Exercise{Name: "AUTUMN"} }
func (d *busyDesk) Story(_ context.Context, id string) (desk.Story, error) {
	for _, r := range d.rows {
		if r.ID == id {
			return desk.Story{
				Line: desk.Line{Head: r.Head, Result: "open", Ways: []desk.Way{r.Way}, Steps: []desk.Step{{What: "accepted", Note: r.Text}}},
				Told: []desk.Told{{ID: "N0QRZ-10.98", Kind: message.Notice, To: r.From, Result: "sent", Ended: at(time.Minute)}},
			}, nil
		}
	}
	return desk.Story{}, desk.ErrUnknown
}
func (d *busyDesk) Order(_ context.Context, o desk.Order) (desk.Story, error) {
	d.tell(strings.TrimSpace(o.Do+" "+o.ID+" "+o.Link), "by", o.By)
	return desk.Story{}, d.err
}
func (d *busyDesk) Send(_ context.Context, m desk.Draft) (string, error) {
	d.tell("send", m.To, m.Text, m.Precedence.String(), "by", m.By)
	return "N0QRZ-10.99", d.err
}
func (d *busyDesk) Quiet(_ context.Context, link, by string) error {
	d.tell("quiet", link, "by", by)
	return d.err
}
func (d *busyDesk) Resume(_ context.Context, link, by string) error {
	d.tell("resume", link, "by", by)
	return d.err
}

// at is a moment of the fixed state, which is at 00:00 on 2000-01-01, where a
// bubble of testing/synctest begins.
func at(ago time.Duration) desk.Moment {
	return desk.Moment{At: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Add(-ago)}
}

// slots are a day on which something passed in the last two hours.
func slots() []desk.Slot {
	day := make([]desk.Slot, desk.DaySlots)
	for i := range day {
		day[i].At = at(time.Duration(desk.DaySlots-1-i) * desk.SlotTime).At
	}
	busy, late := &day[desk.DaySlots-20], &day[desk.DaySlots-2]
	busy.Links = map[string]*desk.Traffic{"valley": {In: 12, Out: 7, Refused: 2, Air: 31.5}, "": {In: 1}, "gone": {Out: 1}}
	late.Links = map[string]*desk.Traffic{"valley": {In: 3, Out: 2, Lost: 1, Air: 4.2}, "aprs": {In: 1, Out: 4}}
	busy.Delays.Note(4 * time.Second)
	busy.Delays.Note(9 * time.Minute)
	late.Delays.Note(75 * time.Second)
	return day
}

func ptr(f float64) *float64 { return &f }

func newBusyDesk() *busyDesk {
	head := func(id, from, to, text string, p message.Precedence, ago time.Duration) desk.Head {
		return desk.Head{ID: id, Accepted: at(ago), Kind: message.Text, Precedence: p, From: from, To: to, In: "valley", Text: text}
	}
	return &busyDesk{
		day: slots(),
		links: []desk.LinkState{
			{Name: "valley", Kind: "mesh", Up: true, Transmits: true, Since: "1999-12-31T20:00:00Z", Air: ptr(0.37)},
			{Name: "aprs", Kind: "aprs", Up: false, Transmits: true, Why: "no answer from the server", Since: "1999-12-31T23:40:00Z"},
			{Name: "post", Kind: "mail", Up: true, Quiet: true, Transmits: true, Since: "1999-12-31T20:00:00Z"},
		},
		rows: []desk.Row{
			{Head: head("N0QRZ-10.12", "N0QRA-7", "N0QRB-9", "Need two stretchers at the school, road from the north is open", message.Emergency, 90*time.Second),
				Way: desk.Way{Link: "valley", State: "ready", Why: "its turn"}, Waited: 90, Expected: ptr(240)},
			{Head: head("N0QRZ-10.7", "N0QRC-3", "ann@club.example", "Back on Sunday", message.Routine, 3*time.Hour),
				Way: desk.Way{Link: "post", State: "parked", Why: "held by the operator", Tries: 2}, Waited: 10800},
			{Head: head("N0QRZ-10.9", "N0QRC-3", "N0QRX-1", "Are you there?", message.Routine, 2*time.Hour),
				Way: desk.Way{State: "held", Why: "until N0QRX-1 is heard", Parts: 2, Due: at(-time.Minute)}, Waited: 7200},
		},
		recent: []desk.Line{
			{Head: head("N0QRZ-10.12", "N0QRA-7", "N0QRB-9", "Need two stretchers at the school, road from the north is open", message.Emergency, 90*time.Second), Result: "open", Why: "its turn"},
			{Head: desk.Head{ID: "N0QRZ-10.11", Kind: message.Receipt, Text: "a receipt is not shown"}, Result: "sent"},
			{Head: head("N0QRZ-10.10", "N0QRB-9", "N0QRA-7", "Köszönöm, 73", message.Routine, 10*time.Minute), Result: "delivered", Seconds: ptr(75), Ways: []desk.Way{{Link: "valley"}}},
			{Head: head("N0QRZ-10.8", "N0QRD", "N0QRA-7", "hello", message.Welfare, time.Hour), Result: "expired", Why: "never sent", Seconds: ptr(3600)},
		},
		stations: []desk.Station{
			{Call: "N0QRA-7", Link: "valley", Ago: 90, Fresh: true, Answers: true, SNR: ptr(-7.5), Lat: ptr(46.52), Lon: ptr(-122.9)},
			{Call: "N0QRB-9", Link: "valley", Ago: 600, Fresh: true, SNR: ptr(3), Lat: ptr(46.61), Lon: ptr(-122.7)},
			{Call: "N0QRC-3", Link: "aprs", Ago: 90000, Lat: ptr(46.40), Lon: ptr(-123.1)},
			{Call: "N0QRD", Link: "valley", Ago: 3700, Fresh: true},
			{Call: "N0QRE-7", Link: "far", Gateway: "N0QRB-10", Ago: 3800, Fresh: true, Answers: true, Lat: ptr(46.45), Lon: ptr(-122.8)},
		},
	}
}

// operator is N0QRO.
func operator(t *testing.T) config.Operator {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return config.Operator{Call: "N0QRO", Hash: config.NewSecret(string(hash))}
}

// formToken is where a page has the token of its forms.
var formToken = regexp.MustCompile(`name="token" value="([A-Z0-9]+)"`)

// newTestPage makes a page on 127.0.0.1:8327 with the operator N0QRO.
func newTestPage(t *testing.T, d Desk) *page {
	t.Helper()
	return newPage(t.Context(), &Public{
		Desk: d, Healthy: func() error { return nil }, Listen: "127.0.0.1:8327", Operators: []config.Operator{operator(t)},
	}, slog.New(slog.DiscardHandler))
}

// request asks the page as a browser on the gateway itself does, but for the
// headers given as NAME, VALUE; "Host" and "Remote" are where it asks, and from.
func request(p *page, method, path string, form url.Values, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
	r.Host, r.RemoteAddr = "127.0.0.1:8327", "127.0.0.1:50000"
	r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 8327})))
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for i := 0; i < len(headers); i += 2 {
		switch name, value := headers[i], headers[i+1]; name {
		case "Host":
			r.Host = value
		case "Remote":
			r.RemoteAddr = value
		default:
			r.Header.Set(name, value)
		}
	}
	w := httptest.NewRecorder()
	p.handler().ServeHTTP(w, r)
	return w
}

// login logs N0QRO in and gives the cookie and the token of its forms.
func login(t *testing.T, p *page) (cookie, token string) {
	t.Helper()
	w := request(p, "POST", "/login", url.Values{"call": {"n0qro"}, "password": {password}})
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("login: %d %s", w.Code, w.Body)
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.MaxAge != 12*60*60 || c.Path != "/" || len(c.Value) < 26 {
		t.Errorf("the cookie is %v", c)
	}
	cookie = c.Name + "=" + c.Value
	m := formToken.FindStringSubmatch(request(p, "GET", "/", nil, "Cookie", cookie).Body.String())
	if m == nil {
		t.Fatal("the page has no token")
	}
	return cookie, m[1]
}

func TestHostMustBeOurs(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	for host, want := range map[string]int{
		"127.0.0.1:8327": 200, "localhost:8327": 200, "LOCALHOST": 200, "[::1]:8327": 200, "localhost:9000": 200, "192.0.2.1:8327": 200,
		"evil.example": 421, "evil.example:8327": 421, "127.0.0.1.evil.example:8327": 421, "localhost.evil.example": 421, "192.0.2.2:8327": 421, "": 421, "localhost.": 421,
	} {
		for _, path := range []string{"/", "/login", "/events?x", "/page/style.css"} {
			if path == "/events?x" && want == 200 {
				continue // it would not end
			}
			if w := request(p, "GET", path, nil, "Host", host); w.Code != want {
				t.Errorf("%s at host %q: %d, want %d", path, host, w.Code, want)
			}
		}
	}
}

func TestMessageSaysWhoWasTold(t *testing.T) {
	body := request(newTestPage(t, newBusyDesk()), "GET", "/message?id=N0QRZ-10.12", nil).Body.String()
	if want := `<bdi>N0QRA-7</bdi> by notice <a href="/message?id=N0QRZ-10.98">N0QRZ-10.98</a>: sent 1999-12-31 23:59:00Z`; !strings.Contains(body, want) {
		t.Errorf("no %q in\n%s", want, body)
	}
}

func TestWhoMayRead(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	cookie, _ := login(t, p)
	for _, c := range []struct {
		name    string
		headers []string
		want    int
	}{
		{"on the gateway", nil, 200},
		{"on the gateway, IPv6", []string{"Remote", "[::1]:50000"}, 200},
		{"from elsewhere", []string{"Remote", "192.0.2.9:50000"}, 303},
		{"from elsewhere, logged in", []string{"Remote", "192.0.2.9:50000", "Cookie", cookie}, 200},
		{"from elsewhere, with a cookie of nobody", []string{"Remote", "192.0.2.9:50000", "Cookie", sessionCookie + "=AAAA"}, 303},
		{"through a proxy", []string{"X-Forwarded-For", "192.0.2.9"}, 303},
		{"through a proxy that says little", []string{"X-Forwarded-Proto", ""}, 303},
		{"through a proxy, RFC 7239", []string{"Forwarded", "for=192.0.2.9"}, 303},
		{"through a proxy, logged in", []string{"Forwarded", "for=192.0.2.9", "Cookie", cookie}, 200},
	} {
		for _, path := range []string{"/", "/message?id=N0QRZ-10.12", "/report?form=csv&since=1999-12-31T00:00&until=2000-01-01T00:00", "/day", "/more"} {
			w := request(p, "GET", path, nil, c.headers...)
			if w.Code != c.want || c.want == 303 && w.Header().Get("Location") != "/login" {
				t.Errorf("%s %s: %d, want %d", path, c.name, w.Code, c.want)
			}
			if calls := strings.Contains(w.Body.String(), "N0QRA-7"); strings.Contains(path, "N0QR") && calls != (c.want == 200) || calls && c.want != 200 {
				t.Errorf("%s %s: shows call signs: %v", path, c.name, calls)
			}
		}
	}
	w := request(p, "GET", "/events", nil, "X-Real-Ip", "192.0.2.9")
	if w.Code != 303 {
		t.Errorf("events through a proxy: %d", w.Code)
	}
}

func TestEveryAnswerHasItsSecurityHeaders(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	for _, path := range []string{"/", "/login", "/nothing", "/page/page.js", "/page/page.gohtml"} {
		h := request(p, "GET", path, nil).Header()
		csp := h.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'self'") || !strings.Contains(csp, "frame-ancestors 'none'") || strings.Contains(csp, "unsafe") ||
			h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

// Nothing of the page comes from elsewhere, and nothing needs what the policy
// forbids.
func TestPageNeedsNoForeignHostAndNothingInline(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	cookie, _ := login(t, p)
	for _, path := range []string{"/", "/login", "/more", "/message?id=N0QRZ-10.12", "/page/style.css", "/page/page.js", "/page/plots.js"} {
		w := request(p, "GET", path, nil, "Cookie", cookie)
		if w.Code != 200 {
			t.Errorf("%s: %d", path, w.Code)
		}
		if found := regexp.MustCompile(`https?://|<style|\sstyle=|\son[a-z]+=|<script>|//[a-z]+\.`).FindString(w.Body.String()); found != "" {
			t.Errorf("%s has %q", path, found)
		}
	}
}

func TestOrdersReachTheDesk(t *testing.T) {
	d := newBusyDesk()
	p := newTestPage(t, d)
	cookie, token := login(t, p)
	for _, c := range []struct {
		path string
		form url.Values
		want string
		word string // on the next page
	}{
		{"/order", url.Values{"order": {"hold N0QRZ-10.12"}}, "hold N0QRZ-10.12 by N0QRO", "N0QRZ-10.12 is held until you release it."},
		{"/order", url.Values{"order": {"release N0QRZ-10.7"}}, "release N0QRZ-10.7 by N0QRO", "goes on"},
		{"/order", url.Values{"order": {"retry N0QRZ-10.7"}}, "retry N0QRZ-10.7 by N0QRO", "is tried now"},
		{"/order", url.Values{"order": {"drop N0QRZ-10.7"}, "back": {"message"}}, "drop N0QRZ-10.7 by N0QRO", "is dropped"},
		{"/order", url.Values{"order": {"move N0QRZ-10.7"}, "link": {"aprs"}}, "move N0QRZ-10.7 aprs by N0QRO", "is moved"},
		{"/order", url.Values{"order": {"burn N0QRZ-10.7"}}, "", "the page has no such order"},
		{"/order", url.Values{"by": {"N0QRX"}}, "", "the page has no such order"},
		{"/quiet", url.Values{"link": {"all"}}, "quiet all by N0QRO", "Sending is stopped on all links."},
		{"/quiet", url.Values{"link": {"valley"}}, "quiet valley by N0QRO", "Sending is stopped on valley."},
		{"/resume", url.Values{"link": {"all"}}, "resume all by N0QRO", "Sending goes on, on all links."},
		{"/send", url.Values{"to": {" N0QRB-9 "}, "text": {"hello"}, "precedence": {"priority"}}, "send N0QRB-9 hello priority by N0QRO", "in the queue as N0QRZ-10.99"},
		{"/send", url.Values{"to": {"N0QRB-9"}, "text": {"hello"}, "precedence": {"flash"}}, "", "is none of emergency"},
		{"/exercise/start", url.Values{"name": {" WINTER "}}, "start WINTER by N0QRO", "The exercise WINTER is going on"},
		{"/exercise/stop", url.Values{}, "stop by N0QRO", `value="1999-12-31T21:00"`},
		{"/block", url.Values{"who": {" N0QRX "}, "why": {"jams"}}, "block N0QRX jams by N0QRO", "N0QRX is blocked, and what waits"},
		{"/unblock", url.Values{"who": {"N0QRX"}}, "unblock N0QRX by N0QRO", "N0QRX is not blocked any more"},
	} {
		c.form.Set("token", token)
		w := request(p, "POST", c.path, c.form, "Cookie", cookie)
		if got := d.wasTold(); w.Code != 303 || got != c.want {
			t.Errorf("%s %v: %d, the desk was told %q, want %q", c.path, c.form, w.Code, got, c.want)
		}
		next, _, _ := strings.Cut(w.Header().Get("Location"), "#") // which a browser keeps to itself
		if body := request(p, "GET", next, nil, "Cookie", cookie).Body.String(); !strings.Contains(body, c.word) {
			t.Errorf("%s %v: the next page does not say %q", c.path, c.form, c.word)
		}
		if body := request(p, "GET", "/", nil, "Cookie", cookie).Body.String(); strings.Contains(body, `class="said`) {
			t.Errorf("%s %v: it is said twice", c.path, c.form)
		}
	}
}

// What the gateway refuses is told, and the words are not lost.
func TestRefusedMessageCanBeMended(t *testing.T) {
	d := newBusyDesk()
	d.err = &desk.Refused{Code: "too-long", Why: "it does not fit into 4 parts"}
	p := newTestPage(t, d)
	cookie, token := login(t, p)
	request(p, "POST", "/send", url.Values{"to": {"N0QRB-9"}, "text": {"<b>long & wide"}, "precedence": {"welfare"}, "token": {token}}, "Cookie", cookie)
	body := request(p, "GET", "/", nil, "Cookie", cookie).Body.String()
	for _, want := range []string{"refused (too-long): it does not fit", "&lt;b&gt;long &amp; wide</textarea>", "<option selected>welfare", `value="N0QRB-9"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// Nothing is done for one who is not logged in, for another site's form, and
// for a form without the session's token.
func TestNobodyElseCanAct(t *testing.T) {
	d := newBusyDesk()
	p := newTestPage(t, d)
	cookie, token := login(t, p)
	for _, c := range []struct {
		name    string
		token   string
		headers []string
	}{
		{"no login", token, nil},
		{"no login, from elsewhere", token, []string{"Remote", "192.0.2.9:1"}},
		{"no token", "", []string{"Cookie", cookie}},
		{"another token", "A" + token[1:] + "B", []string{"Cookie", cookie}},
		{"another site's form", token, []string{"Cookie", cookie, "Sec-Fetch-Site", "cross-site"}},
		{"another host of the same site", token, []string{"Cookie", cookie, "Sec-Fetch-Site", "same-site"}},
		{"an old browser on another site", token, []string{"Cookie", cookie, "Sec-Fetch-Site", "", "Origin", "http://evil.example"}},
		{"an old browser in a sandbox", token, []string{"Cookie", cookie, "Sec-Fetch-Site", "", "Origin", "null"}},
		{"a name that points here", token, []string{"Cookie", cookie, "Host", "evil.example", "Origin", "http://evil.example"}},
	} {
		for _, path := range []string{"/order", "/send", "/quiet", "/resume", "/logout", "/exercise/start", "/exercise/stop", "/block", "/unblock"} {
			form := url.Values{"token": {c.token}, "order": {"drop N0QRZ-10.12"}, "link": {"all"}, "to": {"N0QRB-9"}, "text": {"x"}, "precedence": {"routine"}}
			w := request(p, "POST", path, form, c.headers...)
			if got := d.wasTold(); got != "" || w.Code != 403 && w.Code != 421 {
				t.Errorf("%s, %s: %d, the desk was told %q", path, c.name, w.Code, got)
			}
			if w := request(p, "GET", path, form, "Cookie", cookie); w.Code != 405 || d.wasTold() != "" {
				t.Errorf("GET %s: %d", path, w.Code)
			}
		}
	}
	if w := request(p, "POST", "/quiet", url.Values{"token": {token}, "link": {"all"}}, "Cookie", cookie, "Sec-Fetch-Site", "", "Origin", "http://127.0.0.1:8327"); w.Code != 303 || d.wasTold() != "quiet all by N0QRO" {
		t.Errorf("an old browser on our own page: %d", w.Code)
	}
}

func TestLoginEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newTestPage(t, newBusyDesk())
		cookie, _ := login(t, p)
		in := func(cookie string) bool {
			return request(p, "GET", "/", nil, "Remote", "192.0.2.9:1", "Cookie", cookie).Code == 200
		}
		time.Sleep(12*time.Hour - time.Second)
		if !in(cookie) {
			t.Error("it ends before 12 h")
		}
		time.Sleep(time.Second)
		if in(cookie) {
			t.Error("it does not end after 12 h")
		}
		cookie, token := login(t, p)
		if w := request(p, "POST", "/logout", url.Values{"token": {token}}, "Cookie", cookie); w.Code != 303 || w.Result().Cookies()[0].MaxAge >= 0 || in(cookie) {
			t.Errorf("logging out: %d", w.Code)
		}
		first, _ := login(t, p)
		time.Sleep(time.Second)
		for range maxSessions - 1 {
			login(t, p)
		}
		if !in(first) {
			t.Error("a session ends while there is room")
		}
		login(t, p)
		if in(first) || len(p.sessions.all) != maxSessions {
			t.Errorf("%d sessions, the oldest is still there: %v", len(p.sessions.all), in(first))
		}
	})
}

// Tries at passwords slow down, for that address alone, and the right password
// does not help while waiting.
func TestLoginIsThrottled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newTestPage(t, newBusyDesk())
		try := func(from, call, word string) *httptest.ResponseRecorder {
			return request(p, "POST", "/login", url.Values{"call": {call}, "password": {word}}, "Remote", from)
		}
		const bad = "192.0.2.66:1"
		for i, call := range []string{"N0QRO", "N0QRX", ""} {
			if w := try(bad, call, "guess"); w.Code != 403 || !strings.Contains(w.Body.String(), "do not fit together") {
				t.Errorf("try %d: %d", i, w.Code)
			}
		}
		for i := range 12 { // 1 s, 2 s, 4 s ... 15 min
			wait := min(time.Second<<i, 15*time.Minute)
			w := try(bad, "N0QRO", password)
			if got := w.Header().Get("Retry-After"); w.Code != 429 || got != strconv.Itoa(int(wait.Seconds())) {
				t.Errorf("try %d: %d, wait %q, want %v", i+4, w.Code, got, wait)
			}
			time.Sleep(wait)
			if w := try(bad, "N0QRO", "guess"); w.Code != 403 {
				t.Errorf("after %v: %d", wait, w.Code)
			}
		}
		if w := try("192.0.2.67:1", "N0QRO", password); w.Code != 303 {
			t.Errorf("another address: %d", w.Code)
		}
		time.Sleep(15 * time.Minute)
		if w := try(bad, "N0QRO", password); w.Code != 303 {
			t.Errorf("after the wait: %d", w.Code)
		}
		if w := try(bad, "N0QRO", "guess"); w.Code != 403 {
			t.Errorf("the right password does not end the waiting: %d", w.Code)
		}
		for range freeTries {
			try("[2001:db8::1]:1", "N0QRO", "guess")
		}
		if w := try("[2001:db8::2]:1", "N0QRO", "guess"); w.Code != 429 {
			t.Errorf("another address of the same network: %d", w.Code)
		}
	})
}

// However many addresses try, what is remembered stays bounded.
func TestThrottleIsBounded(t *testing.T) {
	var d door
	for i := range 2 * maxDoors {
		d.knock(netip.AddrFrom4([4]byte{10, 1, byte(i / 256), byte(i)}))
	}
	if len(d.tries) > maxDoors {
		t.Errorf("%d addresses", len(d.tries))
	}
}

func TestNobodyLogsInWithoutOperators(t *testing.T) {
	p := newTestPage(t, newBusyDesk())
	p.operators = nil
	if w := request(p, "POST", "/login", url.Values{"call": {""}, "password": {""}}); w.Code != 403 {
		t.Errorf("%d", w.Code)
	}
	if body := request(p, "GET", "/", nil).Body.String(); !strings.Contains(body, "POSTHOUSE_OPERATORS_FILE") || strings.Contains(body, "<button") {
		t.Error("the page does not say how to act, or has buttons")
	}
}

// What strangers send is shown as they wrote it, and is never markup.
func TestHostileWordsAreShownAsWords(t *testing.T) {
	const evil = `<script>alert(1)</script>"'><img src=x onerror=alert(1)>`
	d := newBusyDesk()
	h := desk.Head{ID: "N0QRZ-10.1", Kind: message.Text, From: evil, To: evil, Text: evil, Subject: evil, Exercise: evil, In: evil}
	w := desk.Way{Link: evil, Station: evil, Gateway: evil, State: evil, Why: evil}
	d.rows = []desk.Row{{Head: h, Way: w}}
	d.recent = []desk.Line{{Head: h, Result: evil, Why: evil, Ways: []desk.Way{w}}}
	d.stations = []desk.Station{{Call: evil, Link: evil, Gateway: evil, Lat: ptr(1), Lon: ptr(1)}}
	d.links = []desk.LinkState{{Name: evil, Kind: evil, Why: evil, Since: evil, Air: ptr(0.5)}}
	p := newTestPage(t, d)
	cookie, _ := login(t, p)
	for _, path := range []string{"/", "/message?id=N0QRZ-10.1", "/message?id=" + url.QueryEscape(evil)} {
		w := request(p, "GET", path, nil, "Cookie", cookie)
		body := w.Body.String()
		html := strings.HasPrefix(w.Header().Get("Content-Type"), "text/html")
		if html && (strings.Contains(body, "<script>") || strings.Contains(body, "<img") || !strings.Contains(body, "&lt;script&gt;alert(1)")) {
			t.Errorf("%s: %s", path, body)
		}
	}
}

// The page of a fixed state, as everybody reads it and as an operator does.
func TestPageLooksAsItDid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newTestPage(t, newBusyDesk())
		cookie, token := login(t, p)
		for name, headers := range map[string][]string{"read.html": nil, "operate.html": {"Cookie", cookie}, "more.html": {"Cookie", cookie}} {
			path := "/"
			if name == "more.html" {
				path = "/more"
			}
			got := bytes.ReplaceAll(request(p, "GET", path, nil, headers...).Body.Bytes(), []byte(token), []byte("TOKEN"))
			file := filepath.Join("testdata", name)
			if *update {
				if err := os.WriteFile(file, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("%s is not what the page gives; look at the difference after -update:\n%s", file, got)
			}
		}
	})
}

func TestAllIsWell(t *testing.T) {
	d := newBusyDesk()
	d.rows, d.links = nil, d.links[:1]
	p := newTestPage(t, d)
	for _, c := range []struct {
		name, want string
		change     func()
	}{
		{"as it should be", "All is well", func() {}},
		{"clock", "The clock is not trusted. Times with a question mark", func() { p.clock = func() bool { return false } }},
		{"store", "no message is taken over: the disk is gone", func() { p.healthy = func() error { return errors.New("the disk is gone") } }},
		{"full", "The store is full, new texts are refused: 12 MiB", func() { p.healthy, p.lack = func() error { return nil }, func() string { return "12 MiB are left" } }},
		{"quiet", "All sending is stopped.", func() { d.links[0].Quiet = true }},
	} {
		c.change()
		p.looks.forget()
		if body := request(p, "GET", "/", nil).Body.String(); !strings.Contains(body, c.want) || c.name != "as it should be" && !strings.Contains(body, "Not all is well") {
			t.Errorf("%s: the page does not say %q", c.name, c.want)
		}
	}
}

// Grid squares: Munich is in JN58td, at 48.14666 N 11.60833 E (the worked
// example of the article "Maidenhead Locator System", Wikipedia; from memory).
func TestLocator(t *testing.T) {
	for _, c := range []struct {
		lat, lon float64
		want     string
	}{{48.14666, 11.60833, "JN58td"}, {0, 0, "JJ00aa"}, {-90, -180, "AA00aa"}, {90, 180, "RR99xx"}, {91, 0, ""}} {
		if got := locator(&c.lat, &c.lon); got != c.want {
			t.Errorf("%v %v: %q, want %q", c.lat, c.lon, got, c.want)
		}
	}
}

// The squares under the stations are those of their locators: the smallest that
// are not too many, named where there is room. The middle of Munich's square of
// TestLocator is at 48.1458 N, 11.625 E.
func TestPlotNamesTheSquares(t *testing.T) {
	for _, c := range []struct {
		name   string
		lat    float64 // of another station, due north of the first
		want   []string
		letter int
	}{
		{"a town", 48.27, []string{"JN58td", "JN58te", "JN58tf"}, 6},
		{"a country", 53.5, []string{"JN58", "JO50", "JO53"}, 4},
		{"a continent", 80, []string{"JN", "JP"}, 2},
	} {
		p := newPlot([]desk.Station{{Call: "A", Lat: ptr(48.1458), Lon: ptr(11.625)}, {Call: "B", Lat: &c.lat, Lon: ptr(11.625)}})
		var names []string
		for _, n := range p.Squares.Names {
			names = append(names, n.Call)
			if len(n.Call) != c.letter || n.X < 0 || n.X > plotWidth || n.Y < 0 || n.Y > plotHeight {
				t.Errorf("%s: %+v", c.name, n)
			}
		}
		for _, want := range c.want {
			if !slices.Contains(names, want) {
				t.Errorf("%s: no square %s among %q", c.name, want, names)
			}
		}
	}
}

// Wherever stations are, their dots lie inside the drawing, and north is up.
func TestPlotKeepsItsDotsInside(t *testing.T) {
	for name, at := range map[string][][2]float64{
		"one": {{46, -122}}, "the same place": {{46, -122}, {46, -122}}, "over the date line": {{0, 179.9}, {1, -179.9}},
		"the whole earth": {{-90, -180}, {90, 180}, {0, 0}}, "a street": {{46.001, -122}, {46, -122}},
	} {
		var stations []desk.Station
		for i, w := range at {
			stations = append(stations, desk.Station{Call: "N0QR" + string(rune('A'+i)), Lat: &w[0], Lon: &w[1]})
		}
		p := newPlot(stations)
		if p == nil || len(p.Dots) != len(at) || !(p.Scale > 9 && p.Scale <= 100) {
			t.Fatalf("%s: %+v", name, p)
		}
		for i, d := range p.Dots {
			if !(d.X >= plotEdge-1 && d.X <= plotWidth-plotEdge+1 && d.Y >= plotEdge-1 && d.Y <= plotHeight-plotEdge+1) {
				t.Errorf("%s: %+v", name, d)
			}
			if i > 0 && at[i][0] < at[0][0] && d.Y <= p.Dots[0].Y {
				t.Errorf("%s: %+v is south of the first, and not below it", name, d)
			}
		}
	}
	if newPlot([]desk.Station{{Call: "N0QRA"}}) != nil {
		t.Error("a plot of nobody")
	}
}

// Call signs in a crowd do not cover each other.
func TestPlotLabelsWhatHasRoom(t *testing.T) {
	stations := []desk.Station{
		{Call: "N0QRA-7", Lat: ptr(46), Lon: ptr(-122)}, {Call: "N0QRB-9", Lat: ptr(46), Lon: ptr(-121.98)},
		{Call: "N0QRC-3", Lat: ptr(46.5), Lon: ptr(-121.5)},
	}
	var labelled []bool
	for _, d := range newPlot(stations).Dots {
		labelled = append(labelled, d.Label)
	}
	if want := []bool{false, true, true}; !slices.Equal(labelled, want) {
		t.Errorf("labelled %v, want %v: the first has a dot where its words would be", labelled, want)
	}
}

// The same for any positions.
func TestPlotOfAnyPositions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stations []desk.Station
		for i := range rapid.IntRange(1, 30).Draw(t, "stations") {
			lat, lon := rapid.Float64Range(-90, 90).Draw(t, "lat"), rapid.Float64Range(-180, 180).Draw(t, "lon")
			stations = append(stations, desk.Station{Call: strconv.Itoa(i), Lat: &lat, Lon: &lon})
		}
		for _, d := range newPlot(stations).Dots {
			if !(d.X >= plotEdge-1 && d.X <= plotWidth-plotEdge+1 && d.Y >= plotEdge-1 && d.Y <= plotHeight-plotEdge+1) {
				t.Fatalf("%+v", d)
			}
		}
	})
}
