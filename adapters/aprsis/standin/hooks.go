package standin

import (
	"context"
	"maps"
	"slices"
	"time"
)

// Seen gives the frames that were passed on, the oldest first, with their q
// construct; at most the last thousand.
func (s *Server) Seen() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.seen)
}

// Refused tells how many frames were not passed on, by the reason.
func (s *Server) Refused() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.refused)
}

// Wait gives the first frame passed on, past or coming, that ok takes.
func (s *Server) Wait(ctx context.Context, ok func(line string) bool) (string, error) {
	for {
		s.mu.Lock()
		seen, changed := slices.Clone(s.seen), s.changed
		s.mu.Unlock()
		if i := slices.IndexFunc(seen, ok); i >= 0 {
			return seen[i], nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return "", ctx.Err()
		}
	}
}

// Filter gives the filter terms of a client, as many as it has set; nil when it
// is not logged in.
func (s *Server) Filter(call string) []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.find(call)
	if c == nil {
		return nil
	}
	terms := []string{}
	for _, t := range c.filter {
		terms = append(terms, t.String())
	}
	return terms
}

// Drop ends the connection of a client, or of all when call is empty.
func (s *Server) Drop(call string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.clients {
		if call == "" || c.call == call {
			c.cancel()
		}
	}
}

// Silence makes the server neither say nor hear anything, with the connections
// open, as a peer that died without a word; or ends that.
func (s *Server) Silence(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.silent = on
}

func (s *Server) isSilent() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.silent
}

// Raw sends bytes to a client as they are, past all checks. It tells whether
// the client is there and took them.
func (s *Server) Raw(call string, b []byte) bool {
	s.mu.Lock()
	c := s.find(call)
	s.mu.Unlock()
	if c == nil {
		return false
	}
	_ = c.conn.SetWriteDeadline(time.Now().Add(10 * time.Second))
	_, err := c.conn.Write(b)
	return err == nil
}

func (s *Server) find(call string) *client {
	for c := range s.clients {
		if c.call == call {
			return c
		}
	}
	return nil
}
