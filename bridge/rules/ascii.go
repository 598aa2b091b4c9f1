package rules

// ascii makes a hostile string fit for a notice: printable ASCII, 20 bytes.
func ascii(s string) string {
	b := make([]byte, 0, 20)
	for i := 0; i < len(s) && len(b) < cap(b); i++ {
		if ch := s[i]; ch >= ' ' && ch <= '~' {
			b = append(b, ch)
		}
	}
	return string(b)
}
