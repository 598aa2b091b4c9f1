package fit

import (
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
	plain := isPrintable(text)
	if !plain {
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

// toASCII transliterates. White space of any kind becomes one space, a line
// break too: mail is wrapped in the middle of sentences, so a visible sign for
// it would disturb more than it tells.
func toASCII(text string) string {
	var b strings.Builder
	b.Grow(len(text) + len(text)/8)
	for i := 0; i < len(text); {
		n := clusterLen(text[i:])
		cluster, rest := text[i:i+n], text[i+n:]
		switch {
		case n == 1:
			writeASCII(&b, cluster[0])
		default:
			writeCluster(&b, text[:i], cluster, rest)
		}
		i += n
	}
	return b.String()
}

// clusterLen gives the length of the first grapheme cluster. Two ASCII
// characters in a row are never one, which spares most of the work.
func clusterLen(text string) int {
	if text[0] < utf8.RuneSelf && (len(text) == 1 || text[1] < utf8.RuneSelf) {
		return 1
	}
	cluster, _, _, _ := uniseg.FirstGraphemeClusterInString(text, -1)
	return len(cluster)
}

// writeASCII writes one character of ASCII; line breaks and tabs become a
// space, several together one; other control characters go.
func writeASCII(b *strings.Builder, c byte) {
	switch {
	case c >= ' ' && c <= '~':
		b.WriteByte(c)
	case c == '\n' || c == '\t':
		if s := b.String(); !strings.HasSuffix(s, " ") {
			b.WriteByte(' ')
		}
	}
}

// writeCluster writes what stands for one character that is not plain ASCII.
func writeCluster(b *strings.Builder, before, cluster, after string) {
	start := b.Len()
	visible := false
	for _, r := range cluster {
		visible = visible || !unicode.In(r, unicode.Cf, unicode.Mn, unicode.Me, unicode.Cc)
		s, ok := own[r]
		switch {
		case ok && umlauts[r] && inCapitals(before, after):
			s = strings.ToUpper(s)
		case !ok:
			s = unidecode.Unidecode(string(r))
		}
		for i := 0; i < len(s); i++ {
			writeASCII(b, s[i])
		}
	}
	if b.Len() == start && visible {
		b.WriteByte('?')
	}
}
