package web

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/desk"
)

// servePage serves a public listener until the test ends.
func servePage(t *testing.T, d Desk) (address string, stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	public := &Public{
		Desk: d, Metrics: http.NotFoundHandler(), Healthy: func() error { return nil }, Listen: l.Addr().String(), Operators: []config.Operator{operator(t)},
	}
	var serving sync.WaitGroup
	serving.Go(func() { public.Serve(ctx, l, slog.New(slog.DiscardHandler)) })
	stop = func() { cancel(); serving.Wait() }
	t.Cleanup(stop)
	return "http://" + l.Addr().String(), stop
}

// open asks for the events of a page.
func open(t *testing.T, ctx context.Context, url string, cookies ...*http.Cookie) *http.Response {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range cookies {
		r.AddCookie(c)
	}
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

// until reads events until one holds a word, and gives the parts that came.
func until(t *testing.T, in *bufio.Reader, word string) (came []string) {
	t.Helper()
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			t.Fatalf("before %q came: %v", word, err)
		}
		var part struct{ ID string }
		if data, ok := strings.CutPrefix(line, "data: {"); ok && json.Unmarshal([]byte("{"+data), &part) == nil {
			came = append(came, part.ID)
		}
		if strings.Contains(line, word) {
			return came
		}
	}
}

// A new message comes by itself, and what has not changed does not come again.
func TestPageIsLive(t *testing.T) {
	d := newBusyDesk()
	url, stop := servePage(t, d)
	resp := open(t, t.Context(), url)
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("%s %v", resp.Status, resp.Header)
	}
	in := bufio.NewReader(resp.Body)
	if came := until(t, in, "event: look"); !slices.Equal(came, parts) {
		t.Errorf("at first come %q, want all: %q", came, parts)
	}
	d.mu.Lock()
	d.rows[1].Why = "a new reason"
	d.mu.Unlock()
	if came := until(t, in, "a new reason"); !slices.Equal(came, []string{"waiting"}) {
		t.Errorf("with the change come %q, want what has changed", came)
	}
	begin := time.Now()
	stop()
	if took := time.Since(begin); took > 2*time.Second { // Shutdown's patience: it was not interrupted but ended
		t.Errorf("a live page holds up the end of serving for %v", took)
	}
}

// A page of an operator who logs out is not live any longer.
func TestLivePageEndsWithItsLogin(t *testing.T) {
	address, _ := servePage(t, newBusyDesk())
	client := http.Client{
		Transport:     &http.Transport{DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	post := func(path string, form url.Values, cookies ...*http.Cookie) *http.Response {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, address+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for _, c := range cookies {
			r.AddCookie(c)
		}
		resp, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp
	}
	cookies := post("/login", url.Values{"call": {"N0QRO"}, "password": {password}}).Cookies()
	in := bufio.NewReader(open(t, t.Context(), address, cookies...).Body)
	until(t, in, "Stop all sending")
	r, _ := http.NewRequestWithContext(t.Context(), http.MethodGet, address+"/", nil)
	r.AddCookie(cookies[0])
	resp, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	token := formToken.FindSubmatch(body)
	if out := post("/logout", url.Values{"token": {string(token[1])}}, cookies...); out.StatusCode != 303 {
		t.Errorf("logging out: %s", out.Status)
	}
	if _, err := io.Copy(io.Discard, in); err != nil {
		t.Errorf("the stream does not end well: %v", err)
	}
}

func TestLivePagesAreBounded(t *testing.T) {
	url, _ := servePage(t, newBusyDesk())
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var first *http.Response
	for i := range maxStreams {
		resp := open(t, ctx, url)
		if resp.StatusCode != 200 {
			t.Fatalf("client %d: %s", i, resp.Status)
		}
		if first == nil {
			first = resp
		}
	}
	if resp := open(t, ctx, url); resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("one more: %s", resp.Status)
	}
	page, err := http.Get(url + "/readyz")
	if err != nil || page.StatusCode != 200 {
		t.Errorf("health beside them: %v", err)
	}
	page.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	first.Body.Close()
	deadline := time.Now().Add(10 * time.Second)
	for open(t, ctx, url).StatusCode != 200 {
		if time.Now().After(deadline) {
			t.Fatal("the place of one that went is not free again")
		}
	}
}

// Health and metrics are open to everybody, by whatever name they ask, and hold
// no call sign.
func TestHealthIsOpenAndNamesNobody(t *testing.T) {
	url, _ := servePage(t, newBusyDesk())
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for _, path := range []string{"/healthz", "/readyz"} {
		r, _ := http.NewRequestWithContext(t.Context(), http.MethodGet, url+path, nil)
		r.Host = "gateway.example"
		r.Header.Set("X-Forwarded-For", "192.0.2.9")
		resp, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := bufio.NewReader(resp.Body).ReadString(0)
		resp.Body.Close()
		if resp.StatusCode != 200 || strings.Contains(body, "N0QR") {
			t.Errorf("%s: %s %q", path, resp.Status, body)
		}
	}
}

// A store without room is healthy, since it takes what empties it; but the gateway
// is not ready: it takes no texts over.
func TestFullStoreIsNotReady(t *testing.T) {
	p := &Public{Desk: newBusyDesk(), Healthy: func() error { return nil }, Lack: func() string { return "12 MiB are left on the disk, and 64 are needed" }}
	for _, c := range []struct {
		ask  http.HandlerFunc
		code int
		want string
	}{
		{p.health, http.StatusOK, "ok\nthe store is full, new texts are refused: 12 MiB are left on the disk, and 64 are needed\nlink "},
		{p.ready, http.StatusServiceUnavailable, "not ready: the store is full, new texts are refused: 12 MiB are left on the disk, and 64 are needed\nlink "},
	} {
		w := httptest.NewRecorder()
		c.ask(w, httptest.NewRequest(http.MethodGet, "/", nil))
		if got := w.Body.String(); w.Code != c.code || !strings.HasPrefix(got, c.want) {
			t.Errorf("%d %q, want %d %q", w.Code, got, c.code, c.want)
		}
	}
}

// Health says which link is not well, and since when.
func TestHealthNamesTheLinkThatIsNotWell(t *testing.T) {
	d := newBusyDesk()
	d.links[2].Deaf = "1999-12-31T22:00:00Z"
	url, _ := servePage(t, d)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get(url + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(resp.Body)
	want := "ok\nlink aprs (aprs) down since 1999-12-31T23:40:00Z\nlink post (mail) hears nothing since 1999-12-31T22:00:00Z, longer than usual\n"
	if resp.StatusCode != 200 || !strings.HasPrefix(string(body), want) {
		t.Errorf("%s: %q, want %q", resp.Status, body, want)
	}
}

// Many readers cost no more than one look.
func TestLookIsShared(t *testing.T) {
	d := &counting{busyDesk: newBusyDesk()}
	p := newTestPage(t, d)
	for range 20 {
		request(p, "GET", "/", nil)
	}
	if d.looked != 1 {
		t.Errorf("%d looks", d.looked)
	}
}

type counting struct {
	*busyDesk
	looked int
}

func (c *counting) Stations() []desk.Station { c.looked++; return c.busyDesk.Stations() }
