package rules

import (
	"strings"

	"posthouse/bridge/message"
)

const (
	exerciseMark = "EXERCISE"
	testMark     = "TEST"
	realMark     = "REAL EMERGENCY"
)

// Real tells whether a text says that it is no exercise. Such a text is never
// marked, whatever goes on.
func Real(text string) bool {
	rest, ok := strings.CutPrefix(strings.TrimLeft(text, " \n"), realMark)
	return ok && (rest == "" || !isWordByte(rest[0]))
}

// Drill tells whether a text is exercise traffic: by its member, or because
// its first word says so. It never raises a real alarm.
func Drill(m *message.Message) bool {
	if Real(m.Text) {
		return false
	}
	word, _ := firstWord(m.Text)
	return m.Exercise != "" || word == exerciseMark || word == testMark
}

// ExerciseMarks gives what goes before and after each part of a text, and the
// text between without the marks that it has already. Real traffic has none and
// comes back as it is.
func ExerciseMarks(m *message.Message) (before, text, after string) {
	if !Drill(m) {
		return "", m.Text, ""
	}
	mark := exerciseMark
	if word, _ := firstWord(m.Text); m.Exercise == "" && word == testMark {
		mark = testMark
	}
	return mark + " ", unmark(m.Text, mark), " " + mark
}

// unmark cuts a mark off both ends.
func unmark(text, mark string) string {
	s := strings.TrimSpace(text)
	if word, rest := firstWord(s); word == mark {
		s = rest
	}
	if rest, ok := strings.CutSuffix(strings.TrimRight(s, " \n.!"), mark); ok && (rest == "" || !isWordByte(rest[len(rest)-1])) {
		s = strings.TrimRight(rest, " \n")
	}
	return s
}

func isWordByte(ch byte) bool {
	return ch >= 'A' && ch <= 'Z' || ch >= 'a' && ch <= 'z' || ch >= '0' && ch <= '9' || ch >= 0x80
}
