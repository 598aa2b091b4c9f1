package mail

import (
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/emersion/go-msgauth/dkim"
	"golang.org/x/net/publicsuffix"

	"posthouse/bridge/link"
)

// lookupTimeout bounds one DNS question for a key.
const lookupTimeout = 10 * time.Second

// vouch lets a mail pass whose From is true because the domain in From signed
// the mail (DKIM, RFC 6376, aligned as in RFC 7489 section 3.1.1).
func (in *intake) vouch(m *incoming, raw []byte, to []string) error {
	if !in.o.ClockTrusted() {
		return reply(451, 4, 3, 0, "our clock is not set, so no signature can be checked: try again later")
	}
	if m.date.IsZero() || m.header.Get("Message-Id") == "" {
		return refuse(link.CodeBadSignature, "the mail has no believable Date or no Message-ID")
	}
	// Whoever has a signed mail can send it again; its Date bounds for how long.
	if age := in.o.Now().Sub(m.date); age > in.o.Lifetime {
		return refuse(link.CodeExpired, "the mail is of %s, more than %s ago", m.date.Format(time.RFC3339), in.o.Lifetime)
	}
	signed, err := in.signatures(raw)
	if err != nil {
		return err
	}
	why := "no valid DKIM signature"
	for _, v := range signed {
		if why = in.holds(v, m, to); why == "" {
			if !covers(v, "Subject") {
				m.subject = "" // anybody could have written it
			}
			return nil
		}
	}
	return refuse(link.CodeBadSignature, "%s: mail that does not come through this gateway's own relay needs a DKIM signature of %s", why, domainOf(m.from))
}

// signatures gives the valid ones. A key that DNS does not give now may come
// later, so the client has to try again.
func (in *intake) signatures(raw []byte) ([]*dkim.Verification, error) {
	all, err := dkim.VerifyWithOptions(bytes.NewReader(raw), &dkim.VerifyOptions{
		LookupTXT: in.lookup, MaxVerifications: maxSignatures,
	})
	if err != nil && !errors.Is(err, dkim.ErrTooManySignatures) {
		return nil, refuse(link.CodeBadSignature, "the DKIM signature cannot be read")
	}
	var valid []*dkim.Verification
	temporary := false
	for _, v := range all {
		temporary = temporary || dkim.IsTempFail(v.Err)
		if v.Err == nil {
			valid = append(valid, v)
		}
	}
	if len(valid) == 0 && temporary {
		return nil, reply(451, 4, 4, 3, "DNS does not give the key of the DKIM signature now, try again later")
	}
	return valid, nil
}

// lookup asks DNS within a bounded time. Only "no such name" is an answer, any
// other failure is temporary.
func (in *intake) lookup(domain string) ([]string, error) {
	ctx, cancel := context.WithTimeout(in.ctx, lookupTimeout)
	defer cancel()
	txt, err := in.o.LookupTXT(ctx, domain)
	if dns, ok := errors.AsType[*net.DNSError](err); err == nil || ok && dns.IsNotFound {
		return txt, err
	}
	return nil, &net.DNSError{Err: err.Error(), Name: domain, IsTemporary: true}
}

// holds says what a valid signature lacks to prove who wrote to these stations;
// empty: nothing.
func (in *intake) holds(v *dkim.Verification, m *incoming, to []string) string {
	if !aligned(v.Domain, domainOf(m.from)) {
		return "the DKIM signature is by another domain"
	}
	for _, key := range []string{"From", "Date", "Message-Id"} {
		if !covers(v, key) {
			return "the DKIM signature leaves out " + key
		}
	}
	for _, station := range to {
		if !in.signedFor(v, m, station) {
			return "the DKIM signature does not cover To or Cc with " + station
		}
	}
	return ""
}

// signedFor tells whether a signed To or Cc names the station, so that a mail
// to somebody else cannot be sent on to it.
func (in *intake) signedFor(v *dkim.Verification, m *incoming, station string) bool {
	for _, key := range []string{"To", "Cc"} {
		named := func(address string) bool { return strings.EqualFold(address, in.o.addressOf(station)) }
		if list, _ := roughly(m.header, key); covers(v, key) && slices.ContainsFunc(list, named) {
			return true
		}
	}
	return false
}

// covers tells whether a header field is signed. readHeader made sure that each
// field that we ask for is there at most once.
func covers(v *dkim.Verification, key string) bool {
	return slices.ContainsFunc(v.HeaderKeys, func(k string) bool { return strings.EqualFold(k, key) })
}

// aligned tells whether d signs for from: the same domain or a parent of it,
// down to the one that was registered.
func aligned(d, from string) bool {
	d = strings.ToLower(d)
	if d == from {
		return true
	}
	if !strings.HasSuffix(from, "."+d) {
		return false
	}
	registered, err := publicsuffix.EffectiveTLDPlusOne(from)
	return err == nil && (d == registered || strings.HasSuffix(d, "."+registered))
}

func domainOf(address string) string {
	_, domain, _ := cutAddress(address)
	return domain
}
