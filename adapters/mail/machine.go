package mail

import (
	"strings"

	"posthouse/bridge/link"
)

// automaticSubject begins the subject of what answers for somebody who is away, in words
// that a large mail server puts there, with a colon behind them (common practice, no
// source). RFC 3834 section 3.1.5 has nobody go by "Auto:", which is a car in some
// languages; people do not write these.
var automaticSubject = pattern(`(?i)^(auto(matic)?[- ]?reply|out of (the )?office( auto-?reply)?|abwesenheitsnotiz|automatische antwort|r\x{e9}ponse automatique|` +
	`respuesta autom\x{e1}tica|resposta autom\x{e1}tica|risposta automatica|automatisch antwoord|automati(skt|sk) svar|autosvar|automaattinen vastaus|` +
	`odpowied\x{17a} automatyczna|automatick\x{e1} odpov\x{11b}\x{10f}|automatikus v\x{e1}lasz|otomatik yan\x{131}t|автоматический ответ|` +
	`自动答复|自動回覆|自動応答|자동 회신)\s*([:：]|$)`)

// checkMachine refuses what no person wrote to this station (RFC 3834 section 2,
// RFC 2919, RFC 2369; Precedence is common practice).
func (m *incoming) checkMachine() error {
	h := m.header
	if n := h.FieldsByKey("Received").Len(); n > maxReceived {
		return refuse(link.CodeLooped, "the mail has passed %d servers", n)
	}
	if h.Has(markHeader) {
		return refuse(link.CodeLooped, "the mail comes from a radio gateway")
	}
	if why := m.automatic(); why != "" {
		return refuse(link.CodeNotAllowed, "automatic mail (%s) is not for radio", why)
	}
	switch strings.ToLower(strings.TrimSpace(h.Get("Precedence"))) {
	case "bulk", "list", "junk":
		return refuse(link.CodeNotAllowed, "bulk mail is not for radio")
	}
	for f := h.Fields(); f.Next(); {
		if strings.HasPrefix(strings.ToLower(f.Key()), "list-") {
			return refuse(link.CodeNotAllowed, "mail from a list is not for radio")
		}
	}
	if t, _, _ := h.ContentType(); t == "multipart/report" {
		return refuse(link.CodeNotAllowed, "a report goes to a bounce address only")
	}
	return nil
}

// automatic tells by what a mail is known to be a program's; empty: it is not.
func (m *incoming) automatic() string {
	h := m.header
	auto, _, _ := strings.Cut(h.Get("Auto-Submitted"), ";")
	auto = uncommented(auto)
	switch {
	case auto != "" && !strings.EqualFold(auto, "no"):
		return "Auto-Submitted: " + auto
	case strings.EqualFold(strings.TrimSpace(h.Get("Precedence")), "auto_reply"):
		return "Precedence: auto_reply"
	case strings.TrimSpace(h.Get("Return-Path")) == "<>": // as the server of a mailbox notes it (RFC 5321 section 4.4)
		return "without a sender to answer to"
	case h.Has("X-Autoreply"), h.Has("X-Autorespond"): // from before RFC 3834
		return "X-Autoreply"
	case strings.EqualFold(strings.TrimSpace(h.Get("X-Auto-Response-Suppress")), "all"): // MS-OXCMAIL, from memory
		return "X-Auto-Response-Suppress: All"
	case strings.HasPrefix(m.from, "mailer-daemon@"):
		return "from a mail system"
	case m.answers:
		return "by its subject"
	}
	return ""
}
