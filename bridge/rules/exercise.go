package rules

import (
	"strings"
	"unicode"

	"posthouse/bridge/message"
)

const (
	exerciseMark = "EXERCISE"
	testMark     = "TEST"
)

// Real tells whether a text says that it is no exercise: REAL EMERGENCY, with
// whatever signs around and in any case, since a real alarm that goes out as an
// exercise costs more than an exercise without marks. Such a text is never
// marked, whatever goes on.
func Real(text string) bool {
	first, rest := FirstWord(text)
	second, _ := FirstWord(rest)
	return strings.EqualFold(first, "REAL") && strings.EqualFold(second, "EMERGENCY")
}

// Drill tells whether a text is exercise traffic: by its member, or because
// its first word says so. It never raises a real alarm.
func Drill(m *message.Message) bool {
	if Real(m.Text) {
		return false
	}
	word, _ := FirstWord(m.Text)
	return m.Exercise != "" || word == exerciseMark || word == testMark
}

// ExerciseMarks gives what goes before and after each part of a text, and the
// text between without the marks that it has already. Real traffic has none and
// comes back as it is, and so does a text that is but the mark.
func ExerciseMarks(m *message.Message) (before, text, after string) {
	if !Drill(m) {
		return "", m.Text, ""
	}
	mark := exerciseMark
	if word, _ := FirstWord(m.Text); m.Exercise == "" && word == testMark {
		mark = testMark
	}
	if text = unmark(m.Text, mark); text == "" {
		return "", m.Text, ""
	}
	return mark + " ", text, " " + mark
}

// unmark cuts a mark off both ends, with the punctuation around it. Other signs
// say something.
func unmark(text, mark string) string {
	s := strings.TrimSpace(text)
	if word, rest := FirstWord(s); word == mark && !strings.ContainsFunc(s[:strings.Index(s, mark)], unicode.IsSymbol) {
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
