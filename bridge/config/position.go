package config

// Position is a place on the earth in degrees, north and east positive. The
// zero value means that none is known: 0,0 is open sea, and what devices
// without a fix report.
type Position struct{ Lat, Lon float64 }

// IsZero tells that no position is known.
func (p Position) IsZero() bool { return p == Position{} }
