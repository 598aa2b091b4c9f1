package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"
)

const (
	maxStreams = 16            // pages that are live at once
	streamTime = 1 * time.Hour // then the browser comes again by itself
)

// parts are the pieces of the page that are live, by the name of their template
// and the id of their element.
var parts = []string{"stop", "well", "waiting", "recent", "heard", "air", "day"}

// events sends each part of the page that has changed, as server-sent events
// (HTML Living Standard, 9.2): "part" with the id and the new contents, and
// "look" with the time for every look.
func (p *page) events(w http.ResponseWriter, r *http.Request, s *session) {
	select {
	case p.streams <- struct{}{}:
		defer func() { <-p.streams }()
	default:
		http.Error(w, "Too many pages are open.", http.StatusServiceUnavailable)
		return
	}
	out := liveClient{w: w, control: http.NewResponseController(w), last: map[string]string{}}
	out.control.SetReadDeadline(time.Time{}) // the request is read: nothing more is awaited
	w.Header().Set("Content-Type", "text/event-stream")
	end, tick := time.NewTimer(streamTime), time.NewTicker(lookTime)
	defer end.Stop()
	defer tick.Stop()
	for {
		now := p.sessions.of(r)
		if !mayRead(r, now) || now != s {
			return // the login has ended: the page asks again, and sees
		}
		if p.sendLook(r, &out, s) != nil {
			return
		}
		select {
		case <-tick.C:
		case <-r.Context().Done():
			return
		case <-p.end:
			return
		case <-end.C:
			return
		}
	}
}

// liveClient is one live client.
type liveClient struct {
	w       http.ResponseWriter
	control *http.ResponseController
	last    map[string]string // what each part was
}

// sendLook sends what differs from what this client has.
func (p *page) sendLook(r *http.Request, out *liveClient, s *session) error {
	l, err := p.look(r.Context())
	if err != nil {
		return err
	}
	v := p.view(l, s)
	for _, name := range parts {
		var b bytes.Buffer
		if err := templates().ExecuteTemplate(&b, name, v); err != nil {
			return err
		}
		if last, sent := out.last[name]; sent && b.String() == last {
			continue
		}
		out.last[name] = b.String()
		if err := out.send("part", map[string]string{"id": name, "html": b.String()}); err != nil {
			return err
		}
	}
	return out.send("look", l.At.Clock())
}

// send writes one event; JSON keeps it on one line.
func (c *liveClient) send(event string, data any) error {
	b, err := json.Marshal(data)
	if err != nil {
		return err
	}
	if err := c.control.SetWriteDeadline(time.Now().Add(requestTime)); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(c.w, "event: %s\ndata: %s\n\n", event, b); err != nil {
		return err
	}
	return c.control.Flush()
}
