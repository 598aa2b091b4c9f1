package rules

import (
	"errors"
	"fmt"
	"strings"
	"unicode"

	"posthouse/bridge/callsign"
)

// Pattern names stations or mail addresses, for block lists and routes. A star
// stands for any characters, also none; case does not matter. With an @ it is
// for mail addresses only, without one for call signs (and groups) only. A call
// sign without SSID covers each SSID and portable form.
type Pattern struct {
	text string // as written, lower case
	mail bool
	base bool // compare with the base call sign too
}

// ParsePattern reads a pattern: N0QRA, N0QRA-7, N0QRA*, *@club.example, *@*.
func ParsePattern(s string) (Pattern, error) {
	s = strings.TrimSpace(s)
	switch {
	case s == "":
		return Pattern{}, errors.New("empty pattern")
	case len(s) > 254: // of a mail address, RFC 5321 section 4.5.3.1.3
		return Pattern{}, errors.New("pattern longer than 254 bytes")
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == ',' || r == '=' }):
		return Pattern{}, fmt.Errorf("pattern %q holds a space, a comma or an equals sign", s)
	case strings.Count(s, "@") > 1:
		return Pattern{}, fmt.Errorf("pattern %q has more than one @", s)
	}
	mail := strings.Contains(s, "@")
	return Pattern{text: strings.ToLower(s), mail: mail, base: !mail && !strings.Contains(s, "-")}, nil
}

// String gives the pattern: call signs in upper, mail in lower case.
func (p Pattern) String() string {
	if p.mail {
		return p.text
	}
	return strings.ToUpper(p.text)
}

// Match tells whether the pattern covers an address.
func (p Pattern) Match(address string) bool {
	if p.text == "" || strings.Contains(address, "@") != p.mail {
		return false
	}
	if p.mail {
		address = strings.TrimSuffix(address, ".") // a.example. is a.example
	}
	if glob(p.text, strings.ToLower(address)) {
		return true
	}
	return p.base && glob(p.text, strings.ToLower(callsign.Base(strings.ToUpper(address))))
}

// glob matches a pattern whose only special character is the star. It never
// goes back further than to the last star, so its time is bounded by the
// product of the lengths.
func glob(pattern, s string) bool {
	star, mark := -1, 0
	p, i := 0, 0
	for i < len(s) {
		switch {
		case p < len(pattern) && pattern[p] == '*':
			star, mark = p, i
			p++
		case p < len(pattern) && pattern[p] == s[i]:
			p++
			i++
		case star >= 0:
			mark++
			p, i = star+1, mark
		default:
			return false
		}
	}
	return strings.Trim(pattern[p:], "*") == ""
}

// Patterns is a list of them.
type Patterns []Pattern

// ParsePatterns reads one pattern of each string.
func ParsePatterns(list []string) (Patterns, error) {
	var ps Patterns
	for _, s := range list {
		p, err := ParsePattern(s)
		if err != nil {
			return nil, err
		}
		ps = append(ps, p)
	}
	return ps, nil
}

// Match tells whether any of them covers an address.
func (ps Patterns) Match(address string) bool {
	for _, p := range ps {
		if p.Match(address) {
			return true
		}
	}
	return false
}
