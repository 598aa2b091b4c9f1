package mail

import (
	"fmt"
	"strings"
)

// Allow lets a mail sender write to stations.
type Allow struct {
	Address string // a mail address, or a pattern in which * stands for anything
	Call    string // the call sign of its owner; empty: a third party
}

func (a Allow) check() error {
	_, domain, ok := strings.Cut(a.Address, "@")
	if !ok || domain == "" {
		return fmt.Errorf("allowed sender %q is no mail address", a.Address)
	}
	if a.Call != "" && strings.Contains(a.Address, "*") {
		return fmt.Errorf("allowed sender %q=%s: a call sign belongs to one address, not to a pattern", a.Address, a.Call)
	}
	return nil
}

// writer is who wrote a mail, and why he may.
type writer struct {
	address string
	call    string // empty: a third party
}

// permitted tells whether an address may write to a station. An exact entry
// goes before a pattern, since only it can name a call sign.
func (o *Options) permitted(address, station string) (writer, bool) {
	w, ok := writer{address: address}, false
	for _, allow := range o.Allow {
		switch {
		case allow.Address == address:
			return writer{address, allow.Call}, true
		case matches(allow.Address, address):
			ok = true
		}
	}
	return w, ok || o.ReplyFor(address, station)
}

// matches compares with a pattern in which * stands for any run of characters.
func matches(pattern, s string) bool {
	first, rest, star := strings.Cut(pattern, "*")
	if !star {
		return pattern == s
	}
	s, ok := strings.CutPrefix(s, first)
	if !ok {
		return false
	}
	parts := strings.Split(rest, "*")
	last := len(parts) - 1
	for _, part := range parts[:last] {
		i := strings.Index(s, part)
		if i < 0 {
			return false
		}
		s = s[i+len(part):]
	}
	return strings.HasSuffix(s, parts[last])
}

// canonical gives an address in lower case: servers treat the local part so,
// and an allow list that did not would only surprise.
func canonical(address string) string { return strings.ToLower(address) }

// rewritten tells whether an envelope sender is one that a forwarder or a bounce
// scheme made (SRS, BATV, VERP: common practice, an = in the local part), so
// that it says nothing about who wrote.
func rewritten(address string) bool {
	local, _, _ := cutAddress(address)
	return strings.Contains(local, "=")
}

// cutAddress splits at the last @, as RFC 5321 section 2.3.11 reads an address.
func cutAddress(address string) (local, domain string, ok bool) {
	i := strings.LastIndexByte(address, '@')
	if i < 0 {
		return address, "", false
	}
	return address[:i], address[i+1:], true
}

func isASCII(s string) bool {
	for i := range len(s) {
		if s[i] > 126 || s[i] < 32 {
			return false
		}
	}
	return true
}
