package fit

import (
	"bytes"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/mozillazg/go-unidecode"
	"github.com/rivo/uniseg"
	"golang.org/x/text/unicode/norm"
)

// Normalise gives the text as the medium can carry it, before any splitting:
// valid UTF-8 in NFC with \n as line break; without white space at its ends
// where frames are limited; in printable ASCII where the medium has no more.
// Joined parts equal it.
func Normalise(text string, m Medium) string {
	if m.MaxBytes > 0 {
		text = strings.TrimSpace(text)
	}
	text = charset(text, m)
	if m.MaxBytes > 0 { // what became of a character may begin or end with a space
		text = strings.TrimSpace(text)
	}
	return text
}

// charset does the work of Normalise, but leaves the ends: the space at the end
// of a mark matters.
func charset(text string, m Medium) string {
	if !isPrintable(text) {
		text = norm.NFC.String(strings.ToValidUTF8(text, "\uFFFD"))
		text = lineBreaks.Replace(text)
		if m.ASCII {
			text = toASCII(text)
		}
	}
	return replace(text, m.Replace)
}

var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u2028", "\n", "\u2029", "\n", "\u0085", "\n")

// isPrintable tells whether a text is printable ASCII alone, which every medium
// can carry.
func isPrintable(text string) bool {
	for i := 0; i < len(text); i++ {
		if text[i] < ' ' || text[i] > '~' {
			return false
		}
	}
	return true
}

// replace puts the medium's own substitutes in. A substitute is not replaced
// again.
func replace(text string, table map[rune]string) string {
	if !containsAny(text, table) {
		return text
	}
	var b strings.Builder
	b.Grow(len(text))
	for _, r := range text {
		if s, ok := table[r]; ok {
			b.WriteString(s)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

func containsAny(text string, table map[rune]string) bool {
	for r := range table {
		if strings.ContainsRune(text, r) {
			return true
		}
	}
	return false
}

// toASCII transliterates, one grapheme cluster at a time: an emoji of many
// characters is one question mark. White space of any kind becomes a space, a
// line break too: mail is wrapped in the middle of sentences, so a visible sign
// for it would disturb more than it tells.
func toASCII(text string) string {
	b := make([]byte, 0, len(text)+len(text)/8)
	for i := 0; i < len(text); {
		n := clusterLen(text[i:])
		if n == 1 {
			b = appendASCII(b, text[i])
		} else {
			b = appendCluster(b, text, i, i+n)
		}
		i += n
	}
	return string(b)
}

// clusterLen gives the length of the first grapheme cluster.
func clusterLen(text string) int {
	if startsPlain(text) {
		return 1
	}
	cluster, _, _, _ := uniseg.FirstGraphemeClusterInString(text, -1)
	return len(cluster)
}

// startsPlain tells that the first character is a cluster of its own because it
// and the next one are ASCII (\r\n has become \n before). It spares most of the
// work.
func startsPlain(text string) bool {
	return text[0] < utf8.RuneSelf && (len(text) == 1 || text[1] < utf8.RuneSelf)
}

// appendASCII adds a printable character. Line breaks and tabs become a space,
// a run of them one; other control characters go.
func appendASCII(b []byte, c byte) []byte {
	switch {
	case c >= ' ' && c <= '~':
		return append(b, c)
	case (c == '\n' || c == '\t') && !bytes.HasSuffix(b, []byte(" ")):
		return append(b, ' ')
	}
	return b
}

// appendCluster adds what stands for the cluster text[from:to]: a question mark
// when it can be seen but nothing stands for it.
func appendCluster(b []byte, text string, from, to int) []byte {
	size, visible := len(b), false
	for i, r := range text[from:to] {
		s, ok := own[r]
		switch {
		case ok && strings.ContainsRune("ÄÖÜ", r) && inCapitals(text[:from+i], text[to:]):
			s = strings.ToUpper(s)
		case ok:
		case unicode.Is(unicode.Cf, r): // zero width
		default:
			s = spell(r, text[to:])
			if len(s) > 1 && s[0] == ' ' && (size == 0 || b[size-1] == ' ') {
				s = s[1:]
			}
			visible = visible || !unicode.In(r, unicode.M, unicode.Cc)
		}
		for j := range len(s) {
			b = appendASCII(b, s[j])
		}
	}
	if len(b) == size && visible {
		b = append(b, '?')
	}
	return b
}

// spell spells a letter out. The library puts spaces around some (2½ becomes
// 2 1/2) and behind each syllable of Chinese, which is not wanted before
// punctuation and at the end.
func spell(r rune, after string) string {
	s := unidecode.Unidecode(string(r))
	next, _ := utf8.DecodeRuneInString(after)
	if len(s) > 1 && !unicode.IsLetter(next) && !unicode.IsDigit(next) {
		return strings.TrimRight(s, " ")
	}
	return s
}
