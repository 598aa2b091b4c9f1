package rules

import (
	"strings"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// saidEncrypted goes by the word of the medium itself.
var saidEncrypted = rule{
	code:       link.CodeLooksEncrypted,
	regulation: "ITU RR 25.2A, 47 CFR 97.113(a)(4)",
	broken: func(m *message.Message, _ *Policy) string {
		if m.Encrypted {
			return "sent encrypted: only open channels are passed on"
		}
		return ""
	},
}

// looksEncrypted goes by the look of the text.
var looksEncrypted = rule{
	code:       link.CodeLooksEncrypted,
	regulation: "ITU RR 25.2A, 47 CFR 97.113(a)(4), 97.309(b)",
	broken: func(m *message.Message, _ *Policy) string {
		if why := LooksEncrypted(m.Text); why != "" {
			return why
		}
		return LooksEncrypted(m.Subject)
	},
}

// LooksEncrypted tells what kind of ciphertext is in a text; empty if none.
func LooksEncrypted(text string) string {
	if strings.Contains(text, "-----BEGIN PGP MESSAGE-----") || strings.Contains(text, "-----BEGIN AGE ENCRYPTED FILE-----") {
		return "looks encrypted: plain language only on radio"
	}
	return ""
}
