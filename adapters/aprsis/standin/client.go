package standin

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"strconv"
	"strings"
	"time"

	"posthouse/adapters/aprsis"
)

// gatedFor is how long a client gets the messages for a station that it gated.
const gatedFor = time.Hour

// client is one connection.
type client struct {
	s      *Server
	conn   net.Conn
	out    chan string
	cancel context.CancelFunc

	// Set by the login, before anything else can see the client's frames; filter
	// and gated change later. All under the server's mutex.
	call     string
	verified bool
	filter   filter
	gated    map[string]time.Time // stations whose frames it brought
}

// say queues a line for the client. One that does not read is dropped.
func (c *client) say(line string) {
	select {
	case c.out <- line:
	default:
		c.cancel()
	}
}

// write sends what is queued, and a comment when there is nothing to say.
func (c *client) write(ctx context.Context) {
	defer c.cancel()
	idle := time.NewTimer(keepalive)
	defer idle.Stop()
	for {
		var line string
		select {
		case <-ctx.Done():
			return
		case line = <-c.out:
		case <-idle.C:
			line = "# " + name + " " + time.Now().UTC().Format(time.DateTime)
		}
		idle.Reset(keepalive)
		if c.s.isSilent() {
			continue
		}
		_ = c.conn.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := io.WriteString(c.conn, line+"\r\n"); err != nil {
			return
		}
	}
}

// read takes lines until the client goes.
func (c *client) read() {
	in := bufio.NewReaderSize(c.conn, aprsis.MaxLine)
	_ = c.conn.SetReadDeadline(time.Now().Add(loginTime))
	for tooLong := false; ; {
		b, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			tooLong = true
			continue
		case err != nil:
			return
		case tooLong:
			tooLong = false
			c.s.refuse("line too long")
			continue
		}
		c.line(strings.TrimRight(string(b), "\r\n"))
	}
}

func (c *client) line(line string) {
	switch {
	case line == "" || c.s.isSilent():
	case c.call == "":
		c.login(line)
	case strings.HasPrefix(line, "#"):
		if terms, ok := strings.CutPrefix(strings.TrimSpace(line[1:]), "filter"); ok {
			c.setFilter(terms)
			c.say("# filter is set")
		}
	default:
		c.s.enterFrame(c, line)
	}
}

// login reads: user CALL pass CODE vers NAME VERSION filter TERMS…
func (c *client) login(line string) {
	if strings.HasPrefix(line, "#") {
		return
	}
	head, terms, _ := strings.Cut(line, " filter ")
	f := strings.Fields(head)
	if len(f) < 2 || !strings.EqualFold(f[0], "user") || !isLogin(f[1]) {
		c.say("# bad login")
		return
	}
	call, verified := upper(f[1]), false
	if len(f) >= 4 && strings.EqualFold(f[2], "pass") {
		verified = f[3] == strconv.Itoa(aprsis.Passcode(call))
	}
	c.s.mu.Lock()
	c.call, c.verified = call, verified
	c.s.mu.Unlock()
	c.s.only(c)
	c.setFilter(terms)
	_ = c.conn.SetReadDeadline(time.Time{})
	word := "unverified"
	if verified {
		word = "verified"
	}
	c.say("# logresp " + call + " " + word + ", server " + name)
}

// isLogin tells whether a name can log in: an address, and not 8 hex digits,
// which q constructs use for something else.
func isLogin(s string) bool {
	if len(s) == 0 || len(s) > 9 || strings.ContainsAny(s, ">,:*/") {
		return false
	}
	_, err := strconv.ParseUint(s, 16, 64)
	return len(s) != 8 || err != nil
}

func (c *client) setFilter(terms string) {
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	c.filter = parseFilter(terms)
}

// wants tells whether a client is to have a frame: a message for itself or for
// a station that it brought, or what its filter passes.
func (c *client) wants(p aprsis.Packet, places map[string]place) bool {
	if c.call == "" {
		return false
	}
	if t, err := aprsis.ParseText(p.Info); err == nil {
		at, gated := c.gated[t.To]
		if t.To == c.call || gated && time.Since(at) < gatedFor {
			return true
		}
	}
	return c.filter.passes(p, c.call, places)
}
