package mail

import (
	"slices"
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
	proves := func(r authres.Result) bool { return believes(r, domainOf(m.from)) }
	if slices.ContainsFunc(results, proves) && !denied(results) {
		return nil
	}
	return refuse(link.CodeBadSignature, "the mailbox's provider found no proof that %s wrote this mail", m.from)
}

// results reads the provider's findings: the topmost Authentication-Results of
// its name. A line further down may have come with the mail (RFC 8601 section 5).
func (in *intake) results(m *incoming) ([]authres.Result, bool) {
	for f := m.header.FieldsByKey("Authentication-Results"); f.Next(); {
		said, whole := plainResults(f.Value())
		name, _, _ := strings.Cut(said, ";")
		name, _, _ = strings.Cut(strings.TrimSpace(name), " ")
		if strings.EqualFold(name, in.o.Mailbox.Vouches) {
			_, results, err := authres.Parse(said)
			return results, whole && err == nil
		}
	}
	return nil, false
}

// plainResults takes comments and quotation marks out of findings (RFC 8601 section 2.2,
// RFC 5322 section 3.2), as the parser knows neither. Providers quote the envelope's sender
// there, and who sends a mail may write "; dmarc=pass" into that. What stays open is not
// whole.
func plainResults(field string) (said string, whole bool) {
	if !strings.ContainsAny(field, `("`) {
		return field, true
	}
	var b strings.Builder
	b.Grow(len(field))
	comments, quoted := 0, false
	for i := 0; i < len(field); i++ {
		switch c := field[i]; {
		case c == '\\' && (quoted || comments > 0):
			i++ // what stands behind it ends nothing
		case quoted && c == '"':
			quoted = false
		case quoted && strings.IndexByte("; \t=", c) >= 0:
			b.WriteByte('_')
		case quoted:
			b.WriteByte(c)
		case c == '(':
			comments++
			b.WriteByte(' ')
		case c == ')' && comments > 0:
			comments--
		case comments > 0:
		case c == '"':
			quoted = true
		default:
			b.WriteByte(c)
		}
	}
	return b.String(), comments == 0 && !quoted
}

// denied tells whether the provider says that From is not true, or says two things of it:
// then one of them may have come with the mail.
func denied(results []authres.Result) bool {
	findings := 0
	for _, r := range results {
		if d, ok := r.(*authres.DMARCResult); ok {
			if findings++; d.Value == authres.ResultFail {
				return true
			}
		}
	}
	return findings > 1
}

// believes tells whether a finding proves the domain of From: DMARC passed (RFC
// 7489 section 3.1), or a DKIM signature that is aligned. SPF alone is about the
// envelope and does not.
func believes(r authres.Result, from string) bool {
	switch r := r.(type) {
	case *authres.DMARCResult:
		domain := r.From[strings.LastIndexByte(r.From, '@')+1:] // some providers give the address
		return r.Value == authres.ResultPass && strings.EqualFold(domain, from)
	case *authres.DKIMResult:
		d := r.Domain
		if d == "" {
			d = domainOf(r.Identifier)
		}
		return r.Value == authres.ResultPass && d != "" && aligned(d, from)
	}
	return false
}
