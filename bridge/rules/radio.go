package rules

// radioWord gives the length of a call sign or a grid square at i, 0 if there
// is none. They are words of our trade: letters and figures mixed like those of
// base32, so they count for little there.
func radioWord(text string, i int) int {
	n := 0
	for i+n < len(text) && n <= 9 && isWordByte(text[i+n]) {
		n++
	}
	if word := text[i : i+n]; (isGrid(word) || isCallShaped(word)) && isOneCase(word) {
		return n
	}
	return 0
}

// isOneCase tells whether a word is cased as people write call signs and grid
// squares: N0QRA, n0qra, N0qra, JN58td. Four letters and figures of base64
// mostly are not.
func isOneCase(s string) bool {
	for i := 1; i < len(s); i++ {
		if isCapital(s[i]) && !isCapital(s[0]) && !isCapital(s[1]) || isCapital(s[i]) && isASCIILetter(s[i-1]) && !isCapital(s[i-1]) {
			return false
		}
	}
	return true
}

// isCallShaped goes by the everyday shape alone: one or two characters, a
// figure, one to four letters. Not each one is a call sign.
func isCallShaped(s string) bool {
	if len(s) < 4 || len(s) > 7 || !isASCIILetter(s[0]) && !isASCIILetter(s[1]) {
		return false
	}
	at := 1
	if !isFigure(s[1]) || isFigure(s[2]) {
		at = 2
	}
	if !isFigure(s[at]) || at+1 >= len(s) {
		return false
	}
	for i := at + 1; i < len(s); i++ {
		if !isASCIILetter(s[i]) {
			return false
		}
	}
	return true
}

// isGrid knows the locators of four, six and eight characters.
func isGrid(s string) bool {
	if len(s) != 4 && len(s) != 6 && len(s) != 8 {
		return false
	}
	for i := range len(s) {
		if letter := i/2%2 == 0; letter != isASCIILetter(s[i]) || !letter && !isFigure(s[i]) {
			return false
		}
	}
	return true
}

func isFigure(ch byte) bool      { return ch >= '0' && ch <= '9' }
func isASCIILetter(ch byte) bool { return ch|0x20 >= 'a' && ch|0x20 <= 'z' }
