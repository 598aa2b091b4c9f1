package route

import (
	"slices"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

// Post is the name, beside the gateway's own call sign, to which a phone writes
// that knows only its own mesh.
const Post = "POST"

// Address reads the addressee at the start of a text that was written to the
// gateway: a call sign, a group, an alias or a mail address, with a colon or
// comma behind it if the writer likes. to is canonical, rest is the text
// without it. Words of precedence and exercise may stand before the address and
// stay in the text: nobody's EMERGENCY fails on the order of words. Not ok: the
// text has no address, and comes back as it is.
//
// Call signs and mail addresses may be in any case; groups and aliases are in
// capitals or have the colon, so that "all well here" is no call to everyone.
func (t *Table) Address(text string) (to, rest string, ok bool) {
	rest = strings.TrimLeft(text, space)
	var before strings.Builder
	for {
		word, after := rules.FirstWord(rest)
		if !slices.Contains(firstWords, word) || t.isCalled(rest) {
			break
		}
		before.WriteString(strings.TrimRight(rest[:len(rest)-len(after)], space) + " ")
		rest = after
	}
	word, rest := nextWord(rest)
	name := strings.TrimRight(word, ":,")
	if colon := strings.IndexByte(word, ':'); colon > 0 && colon < len(word)-1 { // N0QRB:text
		name, rest, word = word[:colon], strings.TrimRight(word[colon+1:]+" "+rest, space), word[:colon+1]
	}
	spelt := strings.ToUpper(name) == name || strings.HasSuffix(word, ":")
	if to, ok = t.named(name, spelt); ok {
		return to, before.String() + rest, true
	}
	return "", text, false
}

// Misspelt tells whether a text begins with what is no address and cannot but have been
// meant as one, as in "ann@ club.example hello".
func Misspelt(text string) bool {
	word, _ := nextWord(strings.TrimLeft(text, space))
	return strings.Contains(word, "@")
}

// isCalled tells whether a text begins with a name and a colon: WELFARE: may be
// a group.
func (t *Table) isCalled(text string) bool {
	word, _ := nextWord(text)
	name, colon := strings.CutSuffix(word, ":")
	if !colon {
		return false
	}
	_, ok := t.named(name, true)
	return ok
}

const space = " \n"

// firstWords may stand before the address.
var firstWords = []string{"REAL", "EXERCISE", "TEST", "EMERGENCY", "PRIORITY", "WELFARE"}

// nextWord cuts the first word off s.
func nextWord(s string) (word, rest string) {
	i := strings.IndexAny(s, space)
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimLeft(s[i:], space)
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
	if c, err := callsign.Parse(name); err == nil {
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
