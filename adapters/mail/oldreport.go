package mail

import (
	"io"
	"strings"

	gomessage "github.com/emersion/go-message"
)

// undefined is the status of a failure of which a report gives none (RFC 3463 section
// 3.1).
const undefined = "5.0.0"

// readOldReport reads the two forms in which mail servers have reported failures as
// plain text and some still do. Both are only about what failed for good: one names
// the recipients in a field X-Failed-Recipients (from memory), the other is QSBMF,
// which begins "Hi. This is" and has a paragraph for each recipient
// (https://cr.yp.to/proto/qsbmf.txt, from memory).
func readOldReport(e *gomessage.Entity) ([]outcome, error) {
	if failed := e.Header.Get("X-Failed-Recipients"); failed != "" {
		first, _, _ := strings.Cut(failed, ",")
		return []outcome{{recipient: reported(first), action: "failed", status: undefined, reason: "the mail server returned it"}}, nil
	}
	body, _ := io.ReadAll(e.Body)
	text := strings.TrimLeft(strings.ReplaceAll(string(body), "\r\n", "\n"), "\n")
	if !strings.HasPrefix(text, "Hi. This is") {
		return nil, notReport()
	}
	for paragraph := range strings.SplitSeq(text, "\n\n") {
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
