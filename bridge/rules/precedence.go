package rules

import (
	"strings"

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
		word, rest = firstWord(rest)
		switch word {
		case "EMERGENCY":
			return message.Emergency
		case "PRIORITY":
			return message.Priority
		case "WELFARE":
			return message.Welfare
		case "EXERCISE", "TEST", "REAL":
		default:
			return message.Routine
		}
	}
	return message.Routine
}

// firstWord cuts the capitals at the start of s, if nothing but punctuation,
// space or the end follows them.
func firstWord(s string) (word, rest string) {
	s = strings.TrimLeft(s, " \t\n")
	n := 0
	for n < len(s) && s[n] >= 'A' && s[n] <= 'Z' {
		n++
	}
	if n < len(s) && !strings.ContainsRune(" \t\n.,:;!-/", rune(s[n])) {
		return "", s
	}
	return s[:n], strings.TrimLeft(s[n:], " \t\n.,:;!-/")
}
