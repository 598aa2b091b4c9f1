package callsign

import "strings"

const (
	suffixMax     = 4 // characters behind the digit, RR 19.68
	longSuffixMax = 8 // special events, RR 19.68A: "more than four"; eight is our bound
)

func isLetter(ch byte) bool { return ch >= 'A' && ch <= 'Z' }
func isDigit(ch byte) bool  { return ch >= '0' && ch <= '9' }

// check tells what keeps base from being a call sign.
func (t Table) check(base string) error {
	limit := suffixMax
	if t.Long {
		limit = longSuffixMax
	}
	shaped := false
	for _, n := range prefixLengths(base) {
		if n == 0 || !suffixFits(base, n, limit) {
			continue
		}
		shaped = true
		if seriesOf(base[:n]) >= 0 {
			return nil
		}
	}
	for _, extra := range t.Extra {
		if extra != "" && strings.HasPrefix(base, extra) && suffixFits(base, len(extra), limit) {
			return nil
		}
	}
	if shaped {
		return ErrSeries
	}
	return ErrShape
}

// prefixLengths gives how many characters of base may be the prefix before the
// digit, by RR 19.68 (a), (b) and 19.68.1; 0 stands for none. K21QRA may be
// read both ways: K and 21QRA, or K2 and 1QRA.
func prefixLengths(base string) [2]int {
	if len(base) < 3 {
		return [2]int{}
	}
	var lengths [2]int
	if isDigit(base[1]) && strings.IndexByte("BFGIKMNRW", base[0]) >= 0 {
		lengths[0] = 1
	}
	a, b, third := base[0], base[1], base[2]
	letterFirst := isLetter(a) && a != 'Q' && (isLetter(b) || b >= '2' && b <= '9')
	digitFirst := a >= '2' && a <= '9' && isLetter(b)
	switch {
	case (letterFirst || digitFirst) && isDigit(third):
		lengths[1] = 2
	case halfSeries(base[:2]) && isLetter(third):
		lengths[1] = 3
	}
	return lengths
}

// halfSeries are the starts that two states share, told apart by the third
// character.
func halfSeries(start string) bool { return start == "3D" || start == "SS" }

// suffixFits tells whether a prefix of n characters is followed by a digit and
// one to limit characters, the last a letter.
func suffixFits(base string, n, limit int) bool {
	if len(base) < n+2 || len(base) > n+1+limit || !isDigit(base[n]) {
		return false
	}
	return isLetter(base[len(base)-1])
}

// looksLikeCall is the loosest shape that any Table admits: it tells the call
// from the marks beside it.
func looksLikeCall(s string) bool {
	if len(s) < 3 || len(s) > 3+1+longSuffixMax || !isLetter(s[len(s)-1]) || !isLetter(s[0]) && !isLetter(s[1]) {
		return false
	}
	digit := false
	for i := 0; i < len(s); i++ {
		if !isLetter(s[i]) && !isDigit(s[i]) {
			return false
		}
		digit = digit || i >= 1 && i <= 3 && isDigit(s[i])
	}
	return digit
}
