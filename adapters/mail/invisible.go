package mail

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	softHyphen     = '\u00AD'
	graphJoiner    = '\u034F' // combining grapheme joiner
	zeroWidthSpace = '\u200B'
	nonJoiner      = '\u200C'
	joiner         = '\u200D'
	leftToRight    = '\u200E'
	wordJoiner     = '\u2060'
	byteOrderMark  = '\uFEFF'
)

// dropControls gives valid UTF-8 without control characters, but for tab and LF,
// and without what nobody sees and programs leave in a mail: web pages in text
// that is copied, newsletters as filler behind a preview, providers around the
// names in an attribution. It would be refused on air. What a person cannot have
// put there by accident stays, and is refused.
func dropControls(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return (r < ' ' || r > '~') && r != '\n' && r != '\t' }) {
		return s
	}
	s = strings.ToValidUTF8(s, "\uFFFD")
	rtl := strings.ContainsFunc(s, isRTL)
	var b strings.Builder
	b.Grow(len(s))
	var last rune // that stays
	for i, r := range s {
		switch {
		case r == '\n' || r == '\t':
		case r == '\r':
			r = ' '
		case r < ' ' || r == 0x7f || (r >= 0x80 && r < 0xa0):
			continue
		case r == softHyphen || r == zeroWidthSpace || r == wordJoiner || r == byteOrderMark:
			continue
		case r == leftToRight && !rtl:
			continue
		case isEmbedding(r):
			continue
		case r == graphJoiner:
			if next, _ := utf8.DecodeRuneInString(s[i+utf8.RuneLen(r):]); !isMark(last) || !isMark(next) {
				continue
			}
		case r == nonJoiner || r == joiner:
			if !knowsJoiners(last) && (r != nonJoiner || last != joiner) {
				continue
			}
		}
		b.WriteRune(r)
		last = r
	}
	return b.String()
}

// knowsJoiners tells whether a joiner behind r may change how r is drawn: not one
// behind a blank, a sign of ASCII or a letter of the scripts that know none.
func knowsJoiners(r rune) bool {
	return r > '~' && r != joiner && r != nonJoiner && !unicode.IsSpace(r) && !unicode.In(r, unicode.Latin, unicode.Greek, unicode.Cyrillic)
}

func isMark(r rune) bool { return unicode.Is(unicode.M, r) && r != graphJoiner }

// isEmbedding: characters that set a run of text apart from the direction of what
// is around it. They change no order within the run, so the text reads the same
// without; those that override (U+202D and U+202E) show another text, and stay.
func isEmbedding(r rune) bool {
	return r >= 0x202A && r <= 0x202C || r >= 0x2066 && r <= 0x2069
}

// isRTL: a letter of a script that is written from right to left, where the
// marks of direction have work to do.
func isRTL(r rune) bool {
	return unicode.In(r, unicode.Hebrew, unicode.Arabic, unicode.Syriac, unicode.Thaana, unicode.Nko, unicode.Adlam)
}
