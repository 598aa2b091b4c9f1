package main

import "strings"

// Manuals also show keys, digests, password hashes and signatures: encoded bytes,
// which no rule can tell from ciphertext. What is refused for them is counted
// apart, by a criterion that knows nothing of the rules:

const (
	hexBytes   = 48 // hex digits in a row, spaces not counted: 24 bytes
	wordBytes  = 28 // characters of base64 in one word, of each kind some: 21 bytes
	leastKinds = 3  // small letters, capitals and figures each
	wordsHave  = 7  // small letters in a row, or more
)

// holdsBytes tells whether a text has, besides web and mail addresses, a word of
// 28 letters, figures, +, /, - , _ and . in which there are three small letters,
// three capitals and three figures or more and never seven small letters in a row
// (as words have them), or words of hex digits only, each with letters and figures
// and 16 or more long, with 48 digits in all.
func holdsBytes(text string) bool {
	hex := 0
	for word := range strings.FieldsSeq(text) {
		if strings.Contains(word, "://") || strings.Contains(word, "@") {
			continue
		}
		for piece := range strings.FieldsFuncSeq(word, func(r rune) bool {
			return r > 0x7F || !isLetterOrFigure(byte(r)) && !strings.ContainsRune("+/-_.", r)
		}) {
			if looksEncoded(piece) {
				return true
			}
			if len(piece) >= 16 && strings.Trim(piece, "0123456789abcdefABCDEF") == "" && strings.ContainsAny(piece, "abcdefABCDEF") && strings.ContainsAny(piece, "0123456789") {
				hex += len(piece)
			}
		}
	}
	return hex >= hexBytes
}

func looksEncoded(word string) bool {
	small, capitals, figures, row := 0, 0, 0, 0
	for i := range len(word) {
		switch ch := word[i]; {
		case ch >= 'a' && ch <= 'z':
			small++
			if row++; row >= wordsHave {
				return false
			}
			continue
		case ch >= 'A' && ch <= 'Z':
			capitals++
		case ch >= '0' && ch <= '9':
			figures++
		}
		row = 0
	}
	return len(word) >= wordBytes && min(small, capitals, figures) >= leastKinds
}

func isLetterOrFigure(ch byte) bool {
	return ch >= '0' && ch <= '9' || ch|0x20 >= 'a' && ch|0x20 <= 'z'
}
