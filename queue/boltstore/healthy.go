package boltstore

import (
	"errors"
	"fmt"

	"posthouse/queue"
)

// Healthy returns why the store does not work; nil: it does. One that is only full works:
// it takes what empties it.
func (s *Store) Healthy() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.bad != nil:
		return s.bad
	case s.gone != nil:
		return s.gone
	case s.failing == nil:
		return nil
	}
	return fmt.Errorf("nothing can be written: %w", s.failing)
}

// fails notes why the last write failed; nil: it did not.
func (s *Store) fails(why error) {
	if errors.Is(why, queue.ErrFull) {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failing = why
}
