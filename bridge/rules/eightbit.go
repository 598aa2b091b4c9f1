package rules

import (
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// Bytes that are read as if they were text of one of the old 8-bit character
// sets become letters with accents, frames and signs among capitals, figures
// and punctuation. Most such texts are refused already, for the control
// characters among them; this finds the rest.

// old are the characters beyond ASCII of the character sets that a binary is
// most often read in.
var old = func() map[rune]bool {
	set := map[rune]bool{}
	for _, page := range []*charmap.Charmap{charmap.CodePage437, charmap.CodePage850, charmap.Windows1252, charmap.ISO8859_1} {
		for b := 0x80; b <= 0xFF; b++ {
			if r := page.DecodeByte(byte(b)); r >= 0xA0 && r != utf8.RuneError {
				set[r] = true
			}
		}
	}
	for _, r := range "☺☻♥♦♣♠•◘○◙♂♀♪♫☼►◄↕‼¶§▬↨↑↓→←∟↔▲▼⌂" { // of the first 32, on the screen
		set[r] = true
	}
	return set
}()

const (
	byteCost    = 43              // ln 224 in eighths of a nat: a random byte that can be seen
	enoughBytes = 6 * nat         // the evidence that convicts
	leastBytes  = 13              // characters
	manyBytes   = 48              // characters that decide
	strayLetter = 13              // evidence of a letter with accent behind no letter
	strayUpper  = 21              // of a capital with accent behind a small letter
	straySign   = 13              // of a sign
	usual       = -3              // of one of them at its usual place
	accent      = -11             // of a small letter with accent behind a letter
	notOld      = 10 * nat        // what a character takes away that no such set has
	repeated    = -byteCost + nat // of the same sign again
)

// eightBit tells whether a text holds bytes that were read as characters.
func eightBit(text string) bool {
	var last [manyBytes]rune
	var sum, n int32
	prev := ' '
	for _, r := range text {
		switch {
		case r <= ' ' || r == '\u00A0':
			prev = ' '
			continue
		case r == utf8.RuneError: // a byte that the set has not
			sum += straySign
		case r >= utf8.RuneSelf && !old[r]:
			sum = max(0, sum-notOld)
		default:
			last[n%manyBytes] = r
			n++
			sum = max(0, sum+byteEvidence(prev, r))
		}
		if sum == 0 {
			n = 0
		}
		prev = r
		if sum > enoughBytes && n >= leastBytes && isByteMix(last[:min(n, manyBytes)]) {
			return true
		}
	}
	return false
}

// byteEvidence is how much more a character behind another looks like a byte
// than like text.
func byteEvidence(prev, r rune) int32 {
	if r < utf8.RuneSelf {
		context := foreign
		if prev < utf8.RuneSelf {
			context = int(prev - ' ')
		}
		return cost(context, int(r-' ')) - byteCost
	}
	behindLetter := unicode.IsLetter(prev)
	switch {
	case unicode.IsUpper(r) && (prev == ' ' || unicode.IsUpper(prev)), !unicode.IsLetter(r) && prev == ' ', unicode.IsLower(r) && prev == ' ':
		return usual
	case unicode.IsUpper(r):
		return strayUpper
	case unicode.IsLetter(r) && behindLetter:
		return accent
	case unicode.IsLetter(r):
		return strayLetter
	case r == prev:
		return repeated
	}
	return straySign
}

// isByteMix tells whether characters are as mixed as bytes: about half of them
// beyond ASCII, most of these but once, and hardly any twice.
func isByteMix(list []rune) bool {
	beyond, again, pairs := 0, 0, 0
	for i, r := range list {
		before := pairs
		for _, earlier := range list[:i] {
			if r == earlier {
				pairs++
			}
		}
		if r >= utf8.RuneSelf {
			if beyond++; pairs > before {
				again++
			}
		}
	}
	n := len(list)
	return beyond*4 > n && beyond*8 < n*7 && again*5 < beyond*2 && pairs*80 < n*(n-1)/2+4*80
}
