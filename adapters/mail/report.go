package mail

import (
	"bytes"
	"cmp"
	"io"
	"strings"

	gomessage "github.com/emersion/go-message"

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
		in.log.Info("what came to a bounce address is no delivery report", "id", bounced)
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
			Text: o.why(),
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
	in.log.Info("delivery report without a failure", "id", bounced, "action", clip(outcomes[0].action, 20))
	return nil
}

// why tells a person what happened. A number alone says nothing to one, and most
// servers' words begin with it.
func (o outcome) why() string {
	switch {
	case o.reason == "":
		return "the mail server returned it (" + cmp.Or(o.status, undefined) + ")"
	case o.status == undefined || strings.Contains(o.reason, o.status):
		return o.reason
	}
	return o.status + " " + o.reason
}

// readReport reads a delivery status notification by its structure, or else by its
// words. What is around the status is not looked at: servers leave out its
// report-type, and filters wrap all of it.
func readReport(raw []byte) ([]outcome, error) {
	e, _ := gomessage.ReadWithOptions(bytes.NewReader(raw), &gomessage.ReadOptions{MaxHeaderBytes: int64(len(raw)) + 1})
	if e == nil {
		return nil, notReport()
	}
	var r report
	r.read(e, 0)
	switch {
	case r.status != "":
		return readOutcomes(r.status)
	case r.other:
		return nil, notReport()
	}
	return readWords(e.Header, r.words)
}

// report is what is found in a tree of parts.
type report struct {
	status string // the first delivery status
	words  string // for a person
	other  bool   // it reports something else: that a mail was read, or is unwanted
}

func (r *report) read(e *gomessage.Entity, depth int) {
	switch kind, _, _ := e.Header.ContentType(); kind {
	case "message/delivery-status", "message/global-delivery-status":
		r.status = leaf(e)
	case "message/disposition-notification", "message/feedback-report": // RFC 8098, RFC 5965
		r.other = true
	case "text/plain":
		r.words += leaf(e) + "\n"
	case "text/html":
		words, _ := htmlText(leaf(e))
		r.words += words + "\n"
	}
	parts := e.MultipartReader()
	if parts == nil || depth > maxDepth {
		return
	}
	for range maxParts {
		part, err := parts.NextPart()
		if part == nil || err != nil && !gomessage.IsUnknownCharset(err) {
			return
		}
		if r.read(part, depth+1); r.status != "" {
			return
		}
	}
}

// leaf reads a part of a mail, which is not large.
func leaf(e *gomessage.Entity) string {
	b, _ := io.ReadAll(e.Body)
	return strings.ReplaceAll(string(b), "\r\n", "\n")
}

func notReport() error {
	return reply(554, 5, 6, 0, "only delivery status notifications (RFC 3464) are taken here")
}

// readOutcomes reads the groups of fields: one about the message, then one for
// each recipient.
func readOutcomes(status string) ([]outcome, error) {
	var all []outcome
	for i, group := range strings.Split(status, "\n\n") {
		if f := readFields(group); i <= maxParts && (f["final-recipient"] != "" || f["action"] != "") {
			all = append(all, readOutcome(f))
		}
	}
	if len(all) == 0 {
		return nil, notReport()
	}
	return all, nil
}

// readFields reads a group of fields by their names in lower case. A line that is
// none costs only itself.
func readFields(group string) map[string]string {
	fields, last := map[string]string{}, ""
	for line := range strings.SplitSeq(group, "\n") {
		if last != "" && line != "" && strings.Contains(" \t", line[:1]) { // folded (RFC 5322 section 2.2.3)
			fields[last] += line
			continue
		}
		name, value, ok := strings.Cut(line, ":")
		if last = ""; ok {
			last = strings.ToLower(strings.TrimSpace(name))
			fields[last] = value
		}
	}
	return fields
}

func readOutcome(fields map[string]string) outcome {
	o := outcome{
		action: strings.ToLower(uncommented(fields["action"])),
		status: clip(uncommented(fields["status"]), 20),
		reason: clip(oneLine(typed(fields["diagnostic-code"])), 200),
	}
	for _, key := range []string{"original-recipient", "final-recipient"} {
		if o.recipient = reported(typed(fields[key])); o.recipient != "" {
			break
		}
	}
	if o.action == "" {
		o.action = actionOf(o.status, fields["will-retry-until"])
	}
	return o
}

// actionOf gives the action that a report leaves out, by the class of the status (RFC
// 3463 section 2) or the field that only a delayed mail has (RFC 3464 section 2.3.9).
// Else it is what who sends a mail is told of without asking (RFC 5321 section 6.1).
func actionOf(status, retry string) string {
	switch {
	case strings.HasPrefix(status, "2."):
		return "delivered"
	case retry != "":
		return "delayed"
	}
	return "failed"
}

// uncommented takes off the comment that may follow a value (RFC 3464 section 2.1.1).
func uncommented(s string) string {
	s, _, _ = strings.Cut(s, "(")
	return oneLine(s)
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
