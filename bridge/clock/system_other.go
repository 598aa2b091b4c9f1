//go:build !linux

package clock

// synchronised cannot be asked here: the clock counts as right once it is steady.
func synchronised() bool { return false }
