package boltstore

// Healthy tells why the store cannot do its work any more; nil while it can.
func (s *Store) Healthy() error { return s.broken() }
