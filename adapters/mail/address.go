package mail

import (
	"strings"

	"posthouse/bridge/callsign"
)

// addressOf is the mail address of a station, a group, an alias or a bounce:
// local@domain, or with a mailbox of one address its subaddress,
// mailbox+local@domain (RFC 5233 section 1).
func (o *Options) addressOf(local string) string {
	if o.Mailbox.Address == "" {
		return local + "@" + o.Domain
	}
	user, domain, _ := cutAddress(o.Mailbox.Address)
	return user + "+" + local + "@" + domain
}

// localPart is what addressOf was given; false when an address is not ours.
func (o *Options) localPart(address string) (local string, ok bool) {
	local, domain, _ := cutAddress(address)
	if !strings.EqualFold(domain, o.Domain) {
		return "", false
	}
	if o.Mailbox.Address == "" {
		return local, true
	}
	user, _, _ := cutAddress(o.Mailbox.Address)
	if len(local) <= len(user) || !strings.EqualFold(local[:len(user)], user) || local[len(user)] != '+' {
		return "", false
	}
	return local[len(user)+1:], true
}

// mayBe tells whether a name may be meant for somebody whom the bridge knows: each
// call sign has a digit (RR 19.68), with a slip of the finger, too.
func (o *Options) mayBe(station string) bool {
	return o.Named == nil || strings.ContainsAny(station, digits) || o.Named(station)
}

// stationIn reads a local part as whom the bridge may know: a call sign, a
// group or an alias.
func stationIn(local string) (station string, ok bool) {
	station = callsign.Upper(local)
	return station, station != "" && len(station) <= maxLocal && strings.Trim(station, letters+digits+"-/_.") == ""
}
