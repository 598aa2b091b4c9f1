package boltstore

import (
	"errors"
	"fmt"

	"posthouse/queue"
)

// Healthy tells why the store cannot do its work any more; nil while it can. A store
// that is only full can: it takes what empties it.
func (s *Store) Healthy() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bad != nil || s.failing == nil {
		return s.bad
	}
	return fmt.Errorf("nothing can be written: %w", s.failing)
}

// fails notes why nothing could be written just now; nil: it could be.
func (s *Store) fails(why error) {
	if errors.Is(why, queue.ErrFull) {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failing = why
}
