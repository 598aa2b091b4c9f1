package broker

import (
	"os"
	"testing"
	"time"
)

func writeFile(t testing.TB, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// eventually asks ok again and again until it holds.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	late := time.After(patience)
	for !ok() {
		select {
		case <-again.C:
		case <-late:
			t.Fatalf("waited %v in vain until %s", patience, what)
		}
	}
}

// full tells whether a packet found no room.
func (s *session) full() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.conn != nil && s.conn.overflow.Load()
}
