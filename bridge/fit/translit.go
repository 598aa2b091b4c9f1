package fit

import (
	"unicode"
	"unicode/utf8"
)

// own is what stands for a character where the library has no answer or one
// that a reader of German, or of prices, would not expect. Other Latin letters
// lose their accents, other scripts are spelt out, both by the library.
var own = map[rune]string{
	'ä': "ae", 'ö': "oe", 'ü': "ue", 'ß': "ss", 'Ä': "Ae", 'Ö': "Oe", 'Ü': "Ue", 'ẞ': "SS",
	'€': "EUR", '£': "GBP", '¥': "JPY",
	'“': `"`, '”': `"`, '„': `"`, '‟': `"`, '«': `"`, '»': `"`, '″': `"`,
	'‘': "'", '’': "'", '‚': "'", '‛': "'", '‹': "'", '›': "'", '′': "'", '´': "'",
	'‐': "-", '‑': "-", '‒': "-", '–': "-", '—': "-", '―': "-", '−': "-",
	'…': "...", '•': "*", '·': "*", '×': "x", '÷': "/", '±': "+/-", 'µ': "u", 'μ': "u",
	'→': "->", '←': "<-", '\uFFFD': "?",
	'ا': "a", 'إ': "i", 'ء': "'", 'ـ': "", // Arabic alef, hamza, tatweel
}

// inCapitals tells whether a capital umlaut stands in a word of capitals
// (ÜBUNG becomes UEBUNG, but Übung Uebung): the next plain letter decides, or
// at a word's end the one before.
func inCapitals(before, after string) bool {
	next, _ := utf8.DecodeRuneInString(after)
	if unicode.IsLetter(next) && next < utf8.RuneSelf {
		return unicode.IsUpper(next)
	}
	last, _ := utf8.DecodeLastRuneInString(before)
	return last < utf8.RuneSelf && unicode.IsUpper(last)
}
