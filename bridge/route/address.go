package route

import (
	"strings"

	"posthouse/bridge/message"
)

// Post is the name, beside the gateway's own call sign, to which a phone writes
// that knows only its own mesh.
const Post = "POST"

// Address reads the addressee at the start of a text that was written to the
// gateway: a call sign, a group, an alias or a mail address, with a colon or
// comma behind it if the writer likes. to is canonical, rest is the text
// without it. Not ok: the text has none.
//
// Call signs and mail addresses may be in any case; groups and aliases are in
// capitals or have the colon, so that "all well here" is no call to everyone.
func (t *Table) Address(text string) (to, rest string, ok bool) {
	text = strings.TrimLeft(text, " \n")
	word, rest := text, ""
	if i := strings.IndexAny(text, " \n"); i >= 0 {
		word, rest = text[:i], strings.TrimLeft(text[i:], " \n")
	}
	name := strings.TrimRight(word, ":,")
	if colon := strings.IndexByte(word, ':'); colon > 0 && colon < len(word)-1 { // CALL:text
		name, rest = word[:colon], strings.TrimLeft(text[colon+1:], " \n")
		word = word[:colon+1]
	}
	spelt := strings.ToUpper(name) == name || strings.HasSuffix(word, ":")
	if to, ok := t.named(name, spelt); ok {
		return to, rest, true
	}
	return "", text, false
}

// named gives the canonical address of a word.
func (t *Table) named(name string, spelt bool) (string, bool) {
	if message.IsMail(name) {
		return mailAddress(name)
	}
	if spelt {
		if to, ok := t.Aliases[strings.ToUpper(name)]; ok {
			return to, true
		}
		if group, ok := t.Group(name); ok {
			return group, true
		}
	}
	if c, err := t.Calls.Parse(name); err == nil {
		return c.String(), true
	}
	return "", false
}

// mailAddress takes the plain form of RFC 5321 only: dot-string @ domain. A
// quoted local part or a literal is not what a person types on a radio.
func mailAddress(s string) (string, bool) {
	local, domain, _ := strings.Cut(s, "@")
	if local == "" || len(local) > 64 || len(s) > 254 || !strings.Contains(domain, ".") {
		return "", false
	}
	for i := 0; i < len(local); i++ {
		if ch := local[i]; !alnum(ch) && !strings.ContainsRune("!#$%&'*+-/=?^_`{|}~.", rune(ch)) {
			return "", false
		}
	}
	for label := range strings.SplitSeq(domain, ".") {
		if label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' {
			return "", false
		}
		for i := 0; i < len(label); i++ {
			if !alnum(label[i]) && label[i] != '-' {
				return "", false
			}
		}
	}
	return local + "@" + strings.ToLower(domain), true
}

func alnum(ch byte) bool {
	return ch >= '0' && ch <= '9' || ch >= 'A' && ch <= 'Z' || ch >= 'a' && ch <= 'z'
}
