package boltstore

import (
	"errors"
	"fmt"
	"time"

	"posthouse/queue"
)

// Healthy returns why the store does not work; nil: it does. One that is only full works:
// it takes what empties it.
func (s *Store) Healthy() error {
	if at := time.Duration(s.workSince.Load()); at != 0 && time.Since(s.opened)-at > hangs { // whatever holds mu
		return fmt.Errorf("%w for %v", queue.ErrHangs, (time.Since(s.opened) - at).Round(time.Second))
	}
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

// hangs is how long the disk may need for one write: a card that tidies up stands still for
// seconds.
const hangs = 30 * time.Second

// works notes that the committer begins a piece of work, rests that it does nothing.
func (s *Store) works() { s.workSince.Store(max(int64(time.Since(s.opened)), 1)) }
func (s *Store) rests() { s.workSince.Store(0) }

// fails notes why the last write failed; nil: it did not.
func (s *Store) fails(why error) {
	if errors.Is(why, queue.ErrFull) {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failing = why
}
