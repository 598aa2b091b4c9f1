package boltstore

// suspect has a record that could not be read taken out of the schedule.
func (s *Store) suspect(seq uint64) {}
