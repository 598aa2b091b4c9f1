package aprsis

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// session is one connection, from login to its end.
type session struct {
	a     *Adapter
	host  link.Host
	conn  net.Conn
	lines chan string // what was read and waits for Accept

	answered bool   // the server has answered the login; used by the reader only
	said     string // its last comment before that, such as "Server full"; as answered

	writing sync.Mutex
}

// connect makes a connection and serves it. The error says why it ended.
func (a *Adapter) connect(ctx context.Context, host link.Host) error {
	dialling, cancel := context.WithTimeout(ctx, dialTimeout)
	defer cancel()
	conn, err := a.opt.Dial(dialling, "tcp", a.opt.Server)
	if err != nil {
		return fmt.Errorf("connect to %s: %w", a.opt.Server, err)
	}
	defer conn.Close()
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetNoDelay(true) // the default of Go, and a rule of APRS-IS
	}
	s := &session{a: a, host: host, conn: conn, lines: make(chan string, window)}

	work, working := errgroup.WithContext(ctx)
	defer context.AfterFunc(working, func() { conn.Close() })()
	work.Go(func() error { return s.follow(working) })
	work.Go(func() error {
		err := s.read(working)
		a.use(nil, nil)
		if ctx.Err() == nil {
			host.State(false, err.Error()) // at once: storing what was read may take a while
		}
		return err
	})
	// What was read is stored, whatever happens to the connection meanwhile.
	work.Go(func() error { s.take(ctx); return nil })
	return work.Wait()
}

// use sets the connection for Send, and why Send may not use it.
func (a *Adapter) use(s *session, denied error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.session, a.denied = s, denied
}

// follow logs in, and updates the server-side filter to what the bridge wants.
func (s *session) follow(ctx context.Context) error {
	asked := s.wanted()
	login := fmt.Sprintf("user %s pass %s vers posthouse %s filter %s", s.a.opt.Call, s.a.passcode, s.a.opt.Version, asked)
	if err := s.write(ctx, login); err != nil {
		return err
	}
	tick := time.NewTicker(followEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
		now := s.wanted()
		if now == asked {
			continue
		}
		if err := s.write(ctx, "#filter "+now); err != nil {
			return err
		}
		s.a.opt.Log.Debug("asked the server for other stations", "filter", now)
		asked = now
	}
}

// wanted is the filter for what the bridge wants now.
func (s *session) wanted() string {
	want := s.host.Interest()
	sought := make(map[string]bool, len(want.Sought))
	for _, call := range want.Sought {
		sought[callsign.Base(call)] = true
	}
	s.a.sought.Store(&sought)
	return filter(s.a.opt.Call, s.a.opt.Filter, want)
}

// read takes lines from the server until it falls silent or goes away. While
// the lines wait for Accept it does not read, and so the server waits too.
func (s *session) read(ctx context.Context) error {
	defer close(s.lines)
	in := bufio.NewReaderSize(s.conn, MaxLine)
	began := time.Now()
	for {
		line, err := s.line(in, began)
		switch {
		case err != nil:
			return s.explain(err)
		case strings.HasPrefix(line, "#"):
			s.comment(line)
		case line != "":
			select {
			case s.lines <- line:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	}
}

// line reads one line. One that is too long is skipped and counted, with no more memory
// than any other.
func (s *session) line(in *bufio.Reader, began time.Time) (string, error) {
	for tooLong := false; ; {
		until := time.Now().Add(silence)
		if !s.answered {
			until = began.Add(loginTimeout)
		}
		if err := s.conn.SetReadDeadline(until); err != nil {
			return "", err
		}
		b, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			tooLong = true
		case err != nil:
			return "", err
		case tooLong:
			s.host.Count(dropTooLong)
			return "", nil
		default:
			return strings.TrimRight(string(b), "\r\n"), nil
		}
	}
}

func (s *session) explain(err error) error {
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded) && !s.answered:
		return fmt.Errorf("%w%s", errUnanswered, s.lastWord())
	case isClosed(err) && !s.answered:
		return fmt.Errorf("%w%s", errTurnedAway, s.lastWord())
	case errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Errorf("the server was silent for %v", silence)
	case isClosed(err):
		return errClosed
	}
	return fmt.Errorf("read from %s: %w", s.a.opt.Server, err)
}

// isClosed tells whether the server ended the connection. Where something of ours was on
// its way that is a reset.
func isClosed(err error) bool { return errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) }

// lastWord quotes what the server said instead of an answer to the login. It might
// repeat our passcode.
func (s *session) lastWord() string {
	said := strings.ReplaceAll(strings.TrimSpace(s.said), s.a.passcode, "***")
	if said == "" || len(said) > 100 || !printable(said) {
		return ""
	}
	return fmt.Sprintf("; its last word was %q", said)
}

// comment looks for the answer to the login:
//
//	# logresp N0QRA-10 verified, server NAME
//
// Every other comment only shows that the server is alive.
func (s *session) comment(line string) {
	f := strings.Fields(strings.TrimPrefix(line, "#"))
	if len(f) < 3 || f[0] != "logresp" {
		if !s.answered {
			s.said = strings.TrimPrefix(line, "#")
		}
		return
	}
	s.answered = true
	call, server := s.a.opt.Call, s.a.opt.Server
	if len(f) >= 5 && f[3] == "server" && printable(f[4]) {
		server = strings.TrimSuffix(f[4], ",") // the name of one of many behind the address
	}
	s.host.Trouble("")
	switch verified := strings.TrimSuffix(f[2], ",") == "verified"; {
	case verified && strings.EqualFold(f[1], call):
		s.a.use(s, nil)
		s.host.State(true, fmt.Sprintf("%s is verified at %s", call, server))
	case s.a.passcode == ReceiveOnly:
		s.a.use(s, nil)
		s.host.State(true, fmt.Sprintf("receive only: no passcode is set, %s is unverified at %s", call, server))
	default:
		err := fmt.Errorf("%s is unverified at %s: check call sign and passcode; receive only until then", call, server)
		s.a.use(s, err)
		s.host.State(true, err.Error())
		s.host.Trouble("the server does not believe our passcode, so nothing goes out")
	}
}

// take passes on what was read, in batches. What Accept fails to store is dropped: its
// sender gets no ack and repeats it.
func (s *session) take(ctx context.Context) {
	known := s.a.knowledge(s.host)
	for line := range s.lines {
		in := s.messages(known, line)
		for more := true; more && len(in) < batch; {
			select {
			case line, open := <-s.lines:
				if more = open; open {
					in = append(in, s.messages(known, line)...)
				}
			default:
				more = false
			}
		}
		if len(in) == 0 {
			continue
		}
		if _, err := s.host.Accept(ctx, in...); err != nil && ctx.Err() == nil {
			s.a.opt.Log.Warn("messages could not be stored and were not acknowledged", "messages", len(in), "err", err)
		}
	}
}

func (s *session) messages(known knowledge, line string) []message.Message {
	in, why := known.read(line)
	if why != "" {
		s.host.Count(why)
	}
	for i := range in {
		in[i].Link = s.a.opt.Name
	}
	if len(in) > 0 && in[0].OriginID != "" {
		s.remember(in[0], line)
	}
	return in
}

// remember keeps the full id of a text, if that is longer than the id that the bridge knows
// (reply-acks).
func (s *session) remember(m message.Message, line string) {
	_, full, _ := strings.Cut(line[strings.LastIndexByte(line, '{'):], "{")
	if full = strings.TrimRight(full, " "); full != m.OriginID {
		s.a.fullIDs.put(idKey(m.From, m.To, m.OriginID), full)
	}
}

// write sends one line. If it fails half a line may have been sent, so the connection ends.
func (s *session) write(ctx context.Context, line string) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	_ = s.conn.SetWriteDeadline(time.Now().Add(writeTimeout))
	hurried := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(hurried)
		_ = s.conn.SetWriteDeadline(time.Unix(1, 0))
	})
	_, err := io.WriteString(s.conn, line+"\r\n")
	if !stop() {
		<-hurried // or it would hurry the next line
	}
	if err == nil {
		return nil
	}
	s.conn.Close()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("write to %s: %w (%w)", s.a.opt.Server, err, link.ErrDown)
}
