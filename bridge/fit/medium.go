// Package fit makes any text fit a medium: its charset, its forbidden
// characters, its frame size. It is pure: no I/O, no clock.
package fit

// Medium says what one frame of a medium can hold. The zero value holds
// anything.
type Medium struct {
	MaxBytes int             // bytes of UTF-8 in one frame; 0: no limit
	MaxParts int             // frames that one text may take; 0: as many as needed
	ASCII    bool            // printable ASCII only
	Replace  map[rune]string // characters the medium cannot carry, and what stands for them
}
