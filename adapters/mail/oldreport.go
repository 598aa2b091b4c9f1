package mail

import (
	"strings"

	gomessage "github.com/emersion/go-message"
)

// undefined is the status of a failure of which a report gives none (RFC 3463 section
// 3.1).
const undefined = "5.0.0"

var (
	// Who writes for a mail system (RFC 3464 section 2). A person's own name is above
	// what answers for the person, which goes to the envelope's sender as reports do
	// (RFC 3834 section 4).
	mailSystem = pattern(`(?i)mailer-daemon|postmaster|mail delivery (sub)?system|^\s*(<\s*>)?\s*$`)
	// The server goes on trying, or is content. Behind the beginning of such a subject
	// stands that of our mail, and below the words its text.
	noFailure = pattern(`(?i)^\W*((mail|message|delivery)\W+)?(warning|delay|delivered|relayed|expanded|success)|\((delay|success|relay)`)
	goesOn    = pattern(`(?i)warning message only|do not need to resend|no action is required on your part|delivery attempts will continue`)
	// The line that says why holds a status (RFC 3463) or a reply code.
	reasonLine = pattern(`(?m)^.*?(^|[^\d.\n])(5\.\d{1,3}\.\d{1,3}([^\d.]|$)|55\d[ -]).*$`)
)

// readWords reads a report without a delivery status. Servers have had two forms for
// that, both only about what failed for good: one names the recipients in a field
// X-Failed-Recipients (from memory), the other is QSBMF, which begins "Hi. This is" and
// has a paragraph for each recipient (https://cr.yp.to/proto/qsbmf.txt, from memory).
// What else a mail system writes to a bounce address says that the mail failed, too
// (RFC 5321 section 6.1), if it does not say otherwise.
func readWords(h gomessage.Header, words string) ([]outcome, error) {
	o := outcome{action: "failed", status: undefined, reason: "the mail server returned it"}
	if failed := h.Get("X-Failed-Recipients"); failed != "" {
		first, _, _ := strings.Cut(failed, ",")
		o.recipient = reported(first)
		return []outcome{o}, nil
	}
	if strings.HasPrefix(strings.TrimLeft(words, "\n"), "Hi. This is") {
		return readQSBMF(words)
	}
	subject, _ := h.Text("Subject")
	if !mailSystem().MatchString(h.Get("From")) || noFailure().MatchString(subject) || goesOn().MatchString(words) {
		return nil, notReport()
	}
	if line := oneLine(reasonLine().FindString(words)); line != "" {
		o.reason = clip(line, 200)
	}
	return []outcome{o}, nil
}

func readQSBMF(words string) ([]outcome, error) {
	for paragraph := range strings.SplitSeq(words, "\n\n") {
		paragraph = strings.Trim(paragraph, "\n")
		if strings.HasPrefix(paragraph, "-") {
			break // below it is what was sent
		}
		address, reason, _ := strings.Cut(paragraph, "\n")
		if strings.HasPrefix(address, "<") && strings.HasSuffix(address, ">:") {
			return []outcome{{
				recipient: reported(strings.TrimSuffix(address, ":")), action: "failed", status: undefined,
				reason: clip(oneLine(reason), 200),
			}}, nil
		}
	}
	return nil, notReport()
}
