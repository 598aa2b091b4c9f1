package rules

import (
	"math"
	"strings"
)

// An encoding of bytes as text.
type encoding struct {
	name    string
	has     string // what is in the alphabet
	cost    int32  // of a random character: ln of the alphabet's size
	least   int32  // characters that 24 bytes take at least; 0: not asked, since lines of hex are cut anywhere and a space is one of base45's characters
	floor   int32  // characters that 24 bytes take, less a few that may look like words by chance
	enough  int32  // evidence that convicts
	outer   int32  // what a character outside the alphabet takes away
	uneven  int32  // what a word takes away that is not as long as the one before
	radio   bool   // call signs and grid squares look like it
	figures bool   // there is one in 24 bytes: letters alone are a language, or another cipher than ours
	past    int32  // of this many characters one at least is a letter past F: others are hex; 0: not asked
	size    int32  // of the alphabet
	mixes   []mix  // how often the kinds of characters occur, for each variant
}

// mix is the share of each kind of character. A kind without a share counts with
// its neighbour: lower with upper case, others with figures.
type mix [kinds]float64

// The kinds of characters.
const (
	lowerKind = iota
	upperKind
	figureKind
	otherKind
	bracketKind // code is full of them
	kinds
)

const (
	lowerLetters = "abcdefghijklmnopqrstuvwxyz"
	upperLetters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	digits       = "0123456789"

	allAway = 1 << 20 // outer: such a character ends the run
)

// Indexes in encodings.
const (
	hexOnly    = 0
	base64Only = 3
)

// The thresholds are the measured middle between real text and real
// ciphertext; README.md has the table.
var encodings = [...]encoding{
	{name: "hex", has: digits + "abcdefABCDEF", size: 16, floor: 42, enough: 30 * nat, outer: allAway, mixes: []mix{{0, 6. / 16, 10. / 16}}},
	{name: "base32", has: digits + upperLetters, size: 32, least: 36, floor: 26, enough: 112, outer: 10 * nat, uneven: allAway, radio: true, figures: true, past: 5,
		mixes: []mix{{0, 26. / 32, 6. / 32}, {0, 22. / 32, 10. / 32}}}, // base32hex has more figures
	{name: "base32", has: digits + lowerLetters, size: 32, least: 36, floor: 23, enough: 104, outer: 10 * nat, uneven: allAway, figures: true, past: 5,
		mixes: []mix{{26. / 32, 0, 6. / 32}, {22. / 32, 0, 10. / 32}}},
	{name: "base64", has: digits + upperLetters + lowerLetters + "+/-_", size: 64, least: 32, floor: 20, enough: 128, outer: 10 * nat, uneven: 6 * nat, radio: true,
		mixes: []mix{{26. / 64, 26. / 64, 12. / 64}}},
	{name: "ascii85", has: between('!', 'u'), size: 85, least: 30, floor: 17, enough: 94, outer: 10 * nat, uneven: 13 * nat, mixes: []mix{{21. / 85, 26. / 85, 10. / 85, 22. / 85, 6. / 85}}},
	{name: "base85", has: digits + lowerLetters + upperLetters + ".-:+=^!/*?&<>()[]{}@%$#", size: 85, least: 30, floor: 17, enough: 98, outer: 10 * nat, uneven: 13 * nat,
		mixes: []mix{{26. / 85, 26. / 85, 10. / 85, 15. / 85, 8. / 85}}}, // Z85
	{name: "base85", has: digits + upperLetters + lowerLetters + "!#$%&()*+-;<=>?@^_`{|}~", size: 85, least: 30, floor: 17, enough: 98, outer: 10 * nat, uneven: 13 * nat,
		mixes: []mix{{26. / 85, 26. / 85, 10. / 85, 17. / 85, 6. / 85}}}, // RFC 1924
	{name: "uuencode", has: between('!', '`'), size: 64, least: 32, floor: 21, enough: 160, outer: 10 * nat, uneven: allAway, mixes: []mix{{0, 26. / 64, 10. / 64, 22. / 64, 6. / 64}}},
	{name: "letters", has: lowerLetters, size: 26, least: 40, floor: 30, enough: 128, outer: allAway, uneven: allAway, mixes: []mix{{1}}},
	{name: "letters", has: upperLetters, size: 26, least: 40, floor: 30, enough: 128, outer: allAway, uneven: allAway, mixes: []mix{{0, 1}}},
	{name: "letters", has: lowerLetters[:16], size: 16, least: 48, floor: 36, enough: 26 * nat, outer: allAway, uneven: allAway, mixes: []mix{{1}}},
	{name: "letters", has: upperLetters[:16], size: 16, least: 48, floor: 36, enough: 26 * nat, outer: allAway, uneven: allAway, mixes: []mix{{0, 1}}},
	{name: "letters", has: lowerLetters + upperLetters, size: 52, least: 33, floor: 20, enough: 138, outer: allAway, uneven: 6 * nat, mixes: []mix{{.5, .5}}},
	{name: "base45", has: digits + upperLetters + "$%*+-./:", size: 45, floor: 26, enough: 150, outer: allAway, uneven: 16 * nat, radio: true, figures: true, mixes: []mix{{0, 26. / 44, 10. / 44, 8. / 44}}},
	{name: "base94", has: between('!', '~'), size: 94, least: 29, floor: 21, enough: 128, outer: 10 * nat, uneven: 13 * nat, mixes: []mix{{26. / 94, 26. / 94, 10. / 94, 24. / 94, 8. / 94}}},
}

func between(from, to byte) string {
	var b []byte
	for ch := from; ch <= to; ch++ {
		b = append(b, ch)
	}
	return string(b)
}

// alphabet has a bit for each encoding that a character belongs to.
var alphabet = func() (masks [128]uint16) {
	for e := range encodings {
		encodings[e].cost = int32(math.Round(nat * math.Log(float64(encodings[e].size))))
		for i := range len(encodings[e].has) {
			masks[encodings[e].has[i]] |= 1 << e
		}
	}
	return masks
}()

var kindOf = func() (of [128]uint8) {
	for ch := range of {
		switch {
		case ch >= 'a' && ch <= 'z':
			of[ch] = lowerKind
		case ch >= 'A' && ch <= 'Z':
			of[ch] = upperKind
		case ch >= '0' && ch <= '9':
			of[ch] = figureKind
		case strings.IndexByte("()<>[]{}", byte(ch)) >= 0:
			of[ch] = bracketKind
		default:
			of[ch] = otherKind
		}
	}
	return of
}()
