package standin

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/adapters/aprsis"
)

const (
	name = "STANDIN" // in logresp and q constructs

	loginTime = time.Minute
	keepalive = 20 * time.Second
	sameFor   = 30 * time.Second // a copy within this time is dropped

	maxClients = 64
	maxWaiting = 256   // lines that a slow client may be behind
	maxSeen    = 1000  // frames that are remembered
	maxKnown   = 10000 // stations and copies that are remembered
)

// Server is a running server. Make it with Listen, or with New for connections
// of your own making.
type Server struct {
	listener net.Listener // nil: ServeConn only
	cancel   context.CancelFunc
	ctx      context.Context
	work     sync.WaitGroup

	mu      sync.Mutex
	clients map[*client]bool
	silent  bool
	copies  map[string]time.Time // source, destination and information, by when
	places  map[string]place     // where a station was last, for m and t
	seen    []string             // frames that were passed on
	refused map[string]int       // why frames were not, and how often
	changed chan struct{}        // closed and replaced when seen grows
}

// New makes a server that listens nowhere. It ends with ctx or Close.
func New(ctx context.Context) *Server {
	s := &Server{
		clients: map[*client]bool{}, copies: map[string]time.Time{}, places: map[string]place{},
		refused: map[string]int{}, changed: make(chan struct{}),
	}
	s.ctx, s.cancel = context.WithCancel(ctx)
	return s
}

// Listen makes a server at a TCP address; port 0 takes a free one. It ends with
// ctx or Close.
func Listen(ctx context.Context, address string) (*Server, error) {
	var config net.ListenConfig
	listener, err := config.Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("APRS-IS stand-in: %w", err)
	}
	s := New(ctx)
	s.listener = listener
	s.work.Go(s.accept)
	s.work.Go(func() {
		<-s.ctx.Done()
		listener.Close()
	})
	return s, nil
}

// Addr is where the server listens; nil after New.
func (s *Server) Addr() net.Addr {
	if s.listener == nil {
		return nil
	}
	return s.listener.Addr()
}

// Close ends the server and waits for its connections to end.
func (s *Server) Close() {
	s.cancel()
	s.work.Wait()
}

func (s *Server) accept() {
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.work.Go(func() { s.ServeConn(conn) })
	}
}

// ServeConn serves one client until it goes, is dropped, or the server ends. It
// closes the connection.
func (s *Server) ServeConn(conn net.Conn) {
	ctx, cancel := context.WithCancel(s.ctx)
	c := &client{s: s, conn: conn, out: make(chan string, maxWaiting), cancel: cancel, gated: map[string]time.Time{}}
	if !s.enter(c) {
		cancel()
		conn.Close()
		return
	}
	var work sync.WaitGroup
	work.Go(func() { c.write(ctx) })
	work.Go(func() {
		<-ctx.Done()
		conn.Close()
	})
	c.say("# " + name + " posthouse test server")
	c.read()
	cancel()
	work.Wait()
	s.leave(c)
}

func (s *Server) enter(c *client) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.clients) >= maxClients {
		return false
	}
	s.clients[c] = true
	return true
}

func (s *Server) leave(c *client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.clients, c)
}

// only ends older connections of the same call sign: a login is unique.
func (s *Server) only(c *client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for other := range s.clients {
		if other != c && other.call == c.call {
			other.cancel()
		}
	}
}

// enterFrame passes a client's frame on to those who are to have it, or tells
// why not.
func (s *Server) enterFrame(from *client, line string) {
	p, err := aprsis.ParsePacket(line)
	if err != nil {
		s.refuse("malformed")
		return
	}
	if !from.verified {
		s.refuse("unverified")
		return
	}
	if why := route(&p, from.call); why != "" {
		s.refuse(why)
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.isCopy(p) {
		s.refused["copy"]++
		return
	}
	if p.Source != from.call {
		remember(from.gated, p.Source, time.Now())
	}
	if where, err := aprsis.ParsePosition(p.Info, time.Now()); err == nil {
		remember(s.places, p.Source, place{where.Lat, where.Lon})
	}
	s.note(p.String())
	for c := range s.clients {
		if c != from && c.wants(p, s.places) {
			c.say(p.String())
		}
	}
}

// route checks the path and gives the frame its q construct (APRS-IS, q
// construct).
func route(p *aprsis.Packet, login string) (refusal string) {
	q, gate := p.Construct()
	switch {
	case p.Passed("TCPXX", "NOGATE", "RFONLY"):
		return "not to be gated"
	case p.Info[0] == '}' || p.Info[0] == '?':
		return "third party or general query"
	case q == "qAZ":
		return "not to be passed on"
	case q != "" && gate == name:
		return "loop"
	case q == "I": // the old form becomes the new one
		p.Path = append(slices.Clip(p.Path[:len(p.Path)-2]), "qAR", gate)
	case q != "":
	case p.Source == login:
		if !p.Passed("TCPIP") {
			p.Path = append(p.Path, "TCPIP*")
		}
		p.Path = append(p.Path, "qAC", name)
	default:
		p.Path = append(p.Path, "qAS", login)
	}
	return ""
}

// isCopy tells whether the same frame came a short time ago, by any path.
func (s *Server) isCopy(p aprsis.Packet) bool {
	now := time.Now()
	key := p.Source + ">" + p.Dest + ":" + p.Info
	if at, known := s.copies[key]; known && now.Sub(at) < sameFor {
		return true
	}
	remember(s.copies, key, now)
	return false
}

// remember puts a value into a map that starts anew when it is full.
func remember[V any](m map[string]V, key string, v V) {
	if len(m) >= maxKnown {
		clear(m)
	}
	m[key] = v
}

func (s *Server) refuse(why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refused[why]++
}

func (s *Server) note(line string) {
	if len(s.seen) == maxSeen {
		s.seen = slices.Delete(s.seen, 0, maxSeen/10)
	}
	s.seen = append(s.seen, line)
	close(s.changed)
	s.changed = make(chan struct{})
}

// upper is how call signs are compared.
func upper(s string) string { return strings.ToUpper(s) }
