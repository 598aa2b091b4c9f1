package web

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"posthouse/bridge/config"
)

// FuzzControl: whatever is asked on the control socket, a desk that finds no
// fault gives no fault of ours (5xx); and what was not understood did nothing.
func FuzzControl(f *testing.F) {
	for path, body := range map[string]string{
		"/send": `{"to":"N0QRB-9","text":"hello","precedence":"priority"}`, "/quiet": `{"link":"all"}`, "/block": `{"pattern":"N0QRZ","why":"music"}`,
		"/order": `{"do":"hold","id":"N0QRZ-10.12"}`, "/log": `{"since":"2026-11-25T14:05:00Z","steps":true}`, "/queue": `{"most":10}`,
		"/exercise/start": `{"name":"AUTUMN"}`, "/show": `{"id":7}`, "/blocks": `{}`, "/stations": `[`, "/../send": ``,
	} {
		f.Add(path, body)
	}
	f.Fuzz(func(t *testing.T, path, body string) {
		d := newBusyDesk()
		u := &url.URL{Path: "/" + strings.TrimPrefix(path, "/")}
		r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(body))
		r.URL = u
		w := httptest.NewRecorder()
		control(d).ServeHTTP(w, r)
		if w.Code >= 500 {
			t.Fatalf("%s %q: %d %s", path, body, w.Code, w.Body)
		}
		if told := d.wasTold(); w.Code >= 400 && told != "" {
			t.Fatalf("%s %q: answered %d, and the desk was told %q", path, body, w.Code, told)
		}
		if w.Code == http.StatusOK && w.Body.Len() > 0 && !json.Valid(firstLine(w.Body.Bytes())) {
			t.Fatalf("%s %q: answered %s", path, body, w.Body)
		}
	})
}

func firstLine(b []byte) []byte {
	line, _, _ := strings.Cut(string(b), "\n")
	return []byte(line)
}

// FuzzForm: without a login no form makes the desk do anything, whatever its
// fields, cookie and token; nor is any answer a fault of ours.
func FuzzForm(f *testing.F) {
	for _, s := range []struct{ path, form, cookie string }{
		{"/send", "to=N0QRB-9&text=hello&precedence=routine", "session=abc"}, {"/order", "order=hold+N0QRZ-10.12&back=message", ""},
		{"/quiet", "link=all&token=x", "x=y"}, {"/login", "call=N0QRA&password=swordfish", ""}, {"/resume", "link=%zz;", "\x00"}, {"/block", "pattern=*", ""},
	} {
		f.Add(s.path, s.form, s.cookie)
	}
	d := newBusyDesk()
	// A hash that no password has: bcrypt would take most of the time.
	call := config.Operator{Call: "N0QRA", Hash: config.NewSecret("$2y$04$" + strings.Repeat(".", 53))}
	f.Fuzz(func(t *testing.T, path, form, cookie string) {
		p := newPage(t.Context(), &Public{Desk: d, Healthy: func() error { return nil }, Listen: "127.0.0.1:8327", Operators: []config.Operator{call}}, slog.New(slog.DiscardHandler))
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8327/", strings.NewReader(form))
		r.URL.Path = "/" + strings.TrimPrefix(path, "/")
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Cookie", cookie)
		w := httptest.NewRecorder()
		p.handler().ServeHTTP(w, r)
		if w.Code >= 500 {
			t.Fatalf("%s %q: %d %s", path, form, w.Code, w.Body)
		}
		if told := d.wasTold(); told != "" {
			t.Fatalf("%s %q %q: the desk was told %q", path, form, cookie, told)
		}
	})
}
