package rules

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"posthouse/bridge/message"
)

// Precedence gives what the writer asks for: the member, else the first word
// in capitals, also right behind EXERCISE, TEST or REAL; else routine.
// EMERGENCY is always spelt out (source: published training texts of amateur
// traffic handling).
func Precedence(m *message.Message) message.Precedence {
	if m.Precedence != message.Unset {
		return m.Precedence
	}
	rest := m.Text
	// Three words are enough for REAL EMERGENCY and EXERCISE TEST EMERGENCY.
	for range 3 {
		var word string
		word, rest = FirstWord(rest)
		switch word {
		case "EMERGENCY":
			return message.Emergency
		case "PRIORITY":
			return message.Priority
		case "WELFARE":
			return message.Welfare
		case exerciseMark, testMark, "REAL":
		default:
			return message.Routine
		}
	}
	return message.Routine
}

// FirstWord cuts the word off the start of a text, if it is of A to Z alone:
// the words that the gateway looks for are. Signs and emoji around it do not
// count, so that nobody's (EMERGENCY) or EMERGENCY? is taken for less; but a
// text that begins with > quotes somebody else's. rest begins behind the signs
// that touch the word or stand alone: the minus of "EXERCISE -5 C" stays.
func FirstWord(s string) (word, rest string) {
	s = strings.TrimLeftFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsNumber(r) && r != '>' })
	n := 0
	for n < len(s) && (s[n] >= 'A' && s[n] <= 'Z' || s[n] >= 'a' && s[n] <= 'z') {
		n++
	}
	word, rest = s[:n], s[n:]
	next, _ := utf8.DecodeRuneInString(rest)
	if unicode.In(next, unicode.L, unicode.M, unicode.N) || isApostrophe(next) {
		return "", s // the word goes on: EMERGENCY's, EMERGENCYÄ
	}
	rest = trimSpace(strings.TrimLeftFunc(rest, unicode.IsPunct))
	if behind := strings.TrimLeftFunc(rest, unicode.IsPunct); behind == "" || trimSpace(behind) != behind {
		rest = trimSpace(behind) // a dash of its own
	}
	return word, rest
}

func isApostrophe(r rune) bool { return r == '\'' || r == '\u2019' }

func trimSpace(s string) string { return strings.TrimLeftFunc(s, unicode.IsSpace) }
