package rules

import (
	"strings"
	"unicode/utf8"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// notText wants words that every reader sees as they are: valid UTF-8, no
// control characters, nothing that hides or reorders what is shown.
var notText = rule{
	code:       link.CodeNotText,
	regulation: "ITU RR 25.2A, 47 CFR 97.113(a)(4)",
	broken: func(m *message.Message, _ *Policy) string {
		if m.Kind == message.Text && strings.TrimSpace(m.Text) == "" && strings.TrimSpace(m.Subject) == "" {
			return "nothing to read in it"
		}
		// A name is one line, and nothing strange in it ever reaches a log, a
		// header or a topic.
		for _, s := range [...]string{m.From, m.SenderCall, m.To, m.Written, m.OriginID, m.Subject, m.Acks, m.MailID, m.InReplyTo, m.Exercise} {
			if strings.Contains(s, "\n") {
				return "line end where none belongs"
			}
			if why := Hidden(s); why != "" {
				return why
			}
		}
		if m.Where != nil {
			if why := Hidden(m.Where.Comment); why != "" {
				return why
			}
		}
		return Hidden(m.Text)
	},
}

// Hidden tells what in a text could not be seen, or would be seen elsewhere
// than it stands; empty if nothing.
func Hidden(s string) string {
	for i := 0; i < len(s); i++ {
		switch ch := s[i]; {
		case ch >= utf8.RuneSelf:
			return hiddenRune(s)
		case ch < ' ' && ch != '\n' && ch != '\t', ch == 0x7F:
			return "control character in the text"
		}
	}
	return ""
}
