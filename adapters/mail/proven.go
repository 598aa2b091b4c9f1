package mail

import (
	"strings"

	"github.com/emersion/go-msgauth/authres"

	"posthouse/bridge/link"
)

// proven lets a mail out of the mailbox pass whose From is true: by the word of
// the provider that took it in (RFC 8601), or by a signature that we check.
func (in *intake) proven(m *incoming, raw []byte, to []string) error {
	if in.o.Mailbox.Vouches == "" {
		return in.vouch(m, raw, to)
	}
	results, ok := in.results(m)
	if !ok {
		return refuse(link.CodeBadSignature, "the mailbox's provider (%s) says nothing of who wrote this mail", in.o.Mailbox.Vouches)
	}
	for _, r := range results {
		if believes(r, domainOf(m.from)) {
			return nil
		}
	}
	return refuse(link.CodeBadSignature, "the mailbox's provider found no proof that %s wrote this mail", m.from)
}

// results reads the provider's findings: the topmost Authentication-Results of
// its name. A line further down may have come with the mail (RFC 8601 section 5).
func (in *intake) results(m *incoming) ([]authres.Result, bool) {
	for f := m.header.FieldsByKey("Authentication-Results"); f.Next(); {
		id, results, err := authres.Parse(f.Value())
		if name, _, _ := strings.Cut(strings.TrimSpace(id), " "); err == nil && strings.EqualFold(name, in.o.Mailbox.Vouches) {
			return results, true
		}
	}
	return nil, false
}

// believes tells whether a finding proves the domain of From: DMARC passed (RFC
// 7489 section 3.1), or a DKIM signature that is aligned. SPF alone is about the
// envelope and does not.
func believes(r authres.Result, from string) bool {
	switch r := r.(type) {
	case *authres.DMARCResult:
		return r.Value == authres.ResultPass && strings.EqualFold(r.From, from)
	case *authres.DKIMResult:
		d := r.Domain
		if d == "" {
			d = domainOf(r.Identifier)
		}
		return r.Value == authres.ResultPass && d != "" && aligned(d, from)
	}
	return false
}
