package rules

import (
	"strings"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// imitatedAck refuses a text that a station on APRS would take for an
// acknowledgement.
var imitatedAck = outRule{
	code:       link.CodeNotText,
	regulation: "APRS Protocol Reference 1.0.1 chapter 14",
	broken: func(m *message.Message, out *Out) string {
		if out.Kind == "aprs" && m.Kind != message.Receipt && ImitatesAck(m.Text) {
			return "reads as an acknowledgement on APRS: add a word"
		}
		return ""
	},
}

// ImitatesAck tells whether text alone in a frame would read as an APRS ack or
// rej: the word, directly followed by an id of one to five characters (with
// reply-ack, addendum 1.1, a brace inside). Fitting can make one out of other
// letters, so the adapter asks again for each frame.
func ImitatesAck(text string) bool {
	s := strings.TrimSpace(text)
	if len(s) < 4 || len(s) > 3+5 {
		return false
	}
	if word := s[:3]; !strings.EqualFold(word, "ack") && !strings.EqualFold(word, "rej") {
		return false
	}
	for i := 3; i < len(s); i++ {
		ch := s[i]
		alnum := ch >= '0' && ch <= '9' || ch >= 'A' && ch <= 'Z' || ch >= 'a' && ch <= 'z'
		if !alnum && ch != '}' {
			return false
		}
	}
	return true
}
