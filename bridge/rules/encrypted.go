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

// LooksEncrypted tells, for the sender, why a text is taken for ciphertext;
// empty if it is not. It finds armour and containers by their marks, and 24
// bytes or more of ciphertext as hex, base32, base64 or base85 by their look,
// split by spaces and line ends or not, and bytes that were read as characters.
// README.md gives the error rates.
func LooksEncrypted(text string) string {
	if armoured(text) {
		return whyEncrypted + " (armour)"
	}
	if numerals(text) {
		return whyEncrypted + " (bytes in numbers)"
	}
	if name := ciphertext(text); name != "" {
		return whyEncrypted + " (" + name + ")"
	}
	if !isASCII(text) && eightBit(text) {
		return whyEncrypted + " (bytes)"
	}
	return ""
}

const whyEncrypted = "looks encrypted, radio is plain text only"

// armoured tells whether a text has the marks of an encrypted container.
func armoured(text string) bool {
	if strings.Contains(text, "-----BEGIN ") {
		for _, what := range [...]string{"PGP MESSAGE", "AGE ENCRYPTED FILE", "PKCS7", "CMS", "ENCRYPTED "} {
			if strings.Contains(text, "-----BEGIN "+what) {
				return true
			}
		}
	}
	if strings.HasPrefix(text, "age-encryption.org/v1") { // the format's first line
		return true
	}
	if strings.Contains(text, "U2FsdGVkX1") { // "Salted__" in base64: what openssl enc writes in front (its manual page)
		return true
	}
	if !strings.Contains(text, "Content-Type:") {
		return false
	}
	for _, what := range [...]string{"smime-type=enveloped-data", "smime-type=authEnveloped-data", "application/pgp-encrypted"} { // RFC 8551, RFC 3156
		if strings.Contains(text, what) {
			return true
		}
	}
	return false
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 {
			return false
		}
	}
	return true
}
