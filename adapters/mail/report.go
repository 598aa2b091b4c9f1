package mail

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strings"

	gomessage "github.com/emersion/go-message"
	"github.com/emersion/go-message/textproto"

	"posthouse/bridge/message"
)

// outcome is what a delivery report says of one recipient (RFC 3464 section 2.3).
type outcome struct {
	recipient string // the address that we sent to, if the report still knows it; may be empty
	action    string // failed, delayed, delivered, relayed, expanded
	status    string // enhanced status code
	reason    string // in the words of the server that refused
}

// takeReport hands a report about one of our mails to the bridge: that it
// failed. The bounce address says which mail it was; nobody else could know it.
func (in *intake) takeReport(raw []byte, bounced string) error {
	outcomes, err := readReport(raw)
	if err != nil {
		return err
	}
	for _, o := range outcomes {
		if o.action != "failed" {
			continue
		}
		verdicts, err := in.host.Accept(in.ctx, message.Message{
			Kind: message.Receipt, Link: in.o.Name,
			From: o.recipient, To: in.o.Call,
			Acks: bounced, Nak: true,
			Text: strings.TrimSpace(o.status + " " + o.reason),
		})
		if err != nil {
			in.log.Warn("delivery report not stored", "id", bounced, "err", err)
			return reply(452, 4, 3, 1, "the store does not take it now, try again later")
		}
		if v := verdicts[0]; v.Refused() {
			return &refusal{v.Code, v.Why, true}
		}
		in.log.Info("mail bounced", "id", bounced, "status", o.status)
		return nil // we send to one recipient a mail, so one failure is all of it
	}
	in.log.Info("delivery report without a failure", "id", bounced)
	return nil
}

// readReport reads a delivery status notification by its structure. What is around
// the status is not looked at: servers leave out its report-type, and filters wrap
// it.
func readReport(raw []byte) ([]outcome, error) {
	e, _ := gomessage.ReadWithOptions(bytes.NewReader(raw), &gomessage.ReadOptions{MaxHeaderBytes: int64(len(raw)) + 1})
	if e == nil {
		return nil, notReport()
	}
	r := e.MultipartReader()
	if r == nil {
		return readOldReport(e)
	}
	for range maxParts {
		part, err := r.NextPart()
		if part == nil || err != nil && !gomessage.IsUnknownCharset(err) {
			break
		}
		switch kind, _, _ := part.Header.ContentType(); kind {
		case "message/delivery-status", "message/global-delivery-status":
			return readOutcomes(part.Body)
		}
	}
	return nil, notReport()
}

func notReport() error {
	return reply(554, 5, 6, 0, "only delivery status notifications (RFC 3464) are taken here")
}

// readOutcomes reads the groups of fields: one about the message, then one for
// each recipient.
func readOutcomes(body io.Reader) ([]outcome, error) {
	r := bufio.NewReader(body)
	var all []outcome
	for range maxParts {
		h, err := textproto.ReadHeader(r)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, notReport()
		}
		if h.Has("Final-Recipient") || h.Has("Action") {
			all = append(all, readOutcome(h))
		}
		if _, err := r.Peek(1); err != nil {
			break
		}
	}
	if len(all) == 0 {
		return nil, notReport()
	}
	return all, nil
}

func readOutcome(h textproto.Header) outcome {
	status, _, _ := strings.Cut(h.Get("Status"), "(") // a comment may follow
	o := outcome{
		action: strings.ToLower(strings.TrimSpace(h.Get("Action"))),
		status: clip(oneLine(status), 20),
		reason: clip(oneLine(typed(h.Get("Diagnostic-Code"))), 200),
	}
	for _, key := range []string{"Original-Recipient", "Final-Recipient"} {
		if o.recipient = reported(typed(h.Get(key))); o.recipient != "" {
			break
		}
	}
	return o
}

// reported gives an address in a report as the bridge has it, where a local part
// keeps its case; empty if it is none.
func reported(address string) string {
	local, domain, ok := cutAddress(strings.Trim(oneLine(address), "<> "))
	if !ok || len(local)+len(domain) >= 254 {
		return ""
	}
	return local + "@" + strings.ToLower(domain)
}

// typed takes the type off a typed value: "rfc822; a@b.example" (RFC 3464
// section 2.1.2).
func typed(s string) string {
	if _, value, ok := strings.Cut(s, ";"); ok {
		return strings.TrimSpace(value)
	}
	return s
}
