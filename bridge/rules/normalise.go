package rules

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

const (
	byteOrderMark = '\uFEFF'
	softHyphen    = '\u00AD'
	twoZwsp       = "\u200B\u200B"
)

// Normalise gives a text the one form that is judged, hashed and stored: NFC,
// lines that end in \n, no space at the ends of lines or around the whole, a
// tab as a space. It drops what is invisible by accident (a byte order mark at
// the start, soft hyphens, all but one of the zero-width spaces in a row: Khmer
// is often written with several) and keeps what could hide text: the rules
// refuse that. Invalid UTF-8 comes back as it is, and is refused too.
// Normalise(Normalise(s)) is Normalise(s).
func Normalise(text string) string {
	if plainLine(text) || !utf8.ValidString(text) {
		return text
	}
	text = strings.ReplaceAll(text, "\r\n", "\n")
	text = strings.Map(oneForm, text)
	text = strings.TrimLeftFunc(text, func(r rune) bool { return unicode.IsSpace(r) || r == byteOrderMark })
	text = norm.NFC.String(text)
	for strings.Contains(text, twoZwsp) {
		text = strings.ReplaceAll(text, twoZwsp, twoZwsp[:len(twoZwsp)/2])
	}
	if strings.Contains(text, "\n") {
		lines := strings.Split(text, "\n")
		for i := range lines {
			lines[i] = strings.TrimRightFunc(lines[i], unicode.IsSpace)
		}
		text = strings.Join(lines, "\n")
	}
	return strings.TrimRightFunc(text, unicode.IsSpace)
}

// oneForm maps the characters that have a plain form with the same look.
func oneForm(r rune) rune {
	switch r {
	case '\r', '\u0085', '\u2028', '\u2029': // other ends of a line
		return '\n'
	case '\t':
		return ' '
	case softHyphen:
		return -1
	}
	return r
}

// plainLine tells whether s is printable ASCII with no space around: it is
// normal already.
func plainLine(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return s == "" || s[0] != ' ' && s[len(s)-1] != ' '
}
