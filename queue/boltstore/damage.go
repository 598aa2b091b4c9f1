package boltstore

// suspect has a record that could not be read taken out of the schedule.
func (s *Store) suspect(seq uint64) {}

// Healthy tells why the store cannot do its work any more; nil while it can.
func (s *Store) Healthy() error { return s.broken() }
