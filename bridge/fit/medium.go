package fit

// Medium says what one frame of a medium can hold. The zero value holds
// anything.
type Medium struct {
	MaxBytes int             // bytes of UTF-8 in one frame; 0: no limit
	MaxParts int             // frames that one text may take; 0: as many as needed
	ASCII    bool            // printable ASCII only
	Replace  map[rune]string // characters the medium cannot carry, and what stands for them
}

// APRS is the text of an APRS message: 0 to 67 printable characters, and
// neither |, ~ nor { (APRS Protocol Reference 1.0.1, chapter 14).
func APRS(maxParts int) Medium {
	return Medium{
		MaxBytes: 67,
		MaxParts: maxParts,
		ASCII:    true,
		Replace:  map[rune]string{'{': "(", '|': "/", '~': "-"},
	}
}
