package rules

import (
	"fmt"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// tooLong bounds a text before any work is done on it.
var tooLong = rule{
	code:       link.CodeTooLong,
	regulation: "good practice, 47 CFR 97.101(b): the channel is shared",
	broken: func(m *message.Message, p *Policy) string {
		if n := len(m.Text) + len(m.Subject); p.MaxBytes > 0 && n > p.MaxBytes {
			return fmt.Sprintf("%d bytes of text, at most %d", n, p.MaxBytes)
		}
		return ""
	},
}
