package config

import (
	"net"
	"net/mail"
	"net/netip"
	"strconv"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
)

func parseCall(s string) (callsign.Call, error) { return callsign.Parse(s) }

func isCall(s string) bool {
	_, err := callsign.Parse(s)
	return err == nil
}

// canonical gives call signs, groups and patterns for them in capitals; mail
// addresses stay as they are.
func canonical(address string) string {
	if message.IsMail(address) {
		return address
	}
	if c, err := callsign.Parse(address); err == nil {
		return c.String()
	}
	return callsign.Upper(address)
}

// isMail tells whether s is a bare mail address, with nothing around it.
func isMail(s string) bool {
	a, err := mail.ParseAddress(s)
	return err == nil && a.Name == "" && a.Address == s && !strings.ContainsAny(s, "<> \"")
}

// isMailPattern tells whether s is a mail address in which * may stand for any
// characters.
func isMailPattern(s string) bool {
	local, domain, ok := cutLast(s, '@')
	return ok && isMail(strings.ReplaceAll(local, "*", "x")+"@"+strings.ReplaceAll(domain, "*", "x"))
}

// checkPattern refuses what can match neither a call sign, a group nor a mail
// address.
func checkPattern(s string) error {
	if message.IsMail(s) && isMailPattern(s) {
		return nil
	}
	for _, r := range callsign.Upper(s) {
		if !(r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/-*", r)) {
			return fault{"has the pattern " + quote(s), "write a call sign or mail address, with * for any characters"}
		}
	}
	if s == "" {
		return fault{"has an empty pattern", "write a call sign or mail address, with * for any characters"}
	}
	return nil
}

// isWord tells whether s is 1 to 16 capitals and digits: an alias, a group.
func isWord(s string) bool {
	for _, r := range s {
		if !(r >= 'A' && r <= 'Z' || r >= '0' && r <= '9') {
			return false
		}
	}
	return s != "" && len(s) <= 16
}

// splitHostPort takes host:port apart; the port is a number, the host may be
// empty only where one listens.
func splitHostPort(s string) (host string, port int, ok bool) {
	host, p, err := net.SplitHostPort(s)
	if err != nil || strings.ContainsAny(host, " /@?#") {
		return "", 0, false
	}
	port, err = strconv.Atoi(p)
	if err != nil || port < 0 || port > 65535 {
		return "", 0, false
	}
	return host, port, true
}

// isLoopback tells whether a host is this machine and nobody else can reach it.
// An empty host, where one listens, is every address.
func isLoopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// isDomain tells whether s is a host name that can stand behind an @ (RFC 1123
// section 2.1 on RFC 952), with at least one dot unless it is localhost.
func isDomain(s string) bool {
	if len(s) > 253 || !strings.Contains(s, ".") && s != "localhost" {
		return false
	}
	for label := range strings.SplitSeq(s, ".") {
		if label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
		for _, r := range label {
			if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-') {
				return false
			}
		}
	}
	return true
}

// amateurNetworks are the addresses set aside for licensed amateurs. An address
// does not tell how a packet travels, so they are good for a warning only.
var amateurNetworks = []netip.Prefix{netip.MustParsePrefix("44.0.0.0/9"), netip.MustParsePrefix("44.128.0.0/10")}

func isAmateurAddress(host string) bool {
	a, err := netip.ParseAddr(host)
	if err != nil {
		return false
	}
	for _, p := range amateurNetworks {
		if p.Contains(a.Unmap()) {
			return true
		}
	}
	return false
}
