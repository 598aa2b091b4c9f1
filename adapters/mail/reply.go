package mail

import (
	"errors"
	"fmt"
	"log/slog"
	"strings"

	"github.com/emersion/go-smtp"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// refusal is a mail that is not taken, by one of the contract's codes.
type refusal struct {
	code, why string
	counted   bool // by Accept
}

func (r *refusal) Error() string { return r.code + ": " + r.why }

func refuse(code, format string, args ...any) error {
	return &refusal{code: code, why: fmt.Sprintf(format, args...)}
}

// answer is a refusal as SMTP puts it: a reply code and an enhanced status code.
// Sources: RFC 5321 section 4.2.3 and RFC 3463 section 3; 5.7.20 is RFC 7372.
type answer struct {
	code   int
	status smtp.EnhancedCode
}

var answers = map[string]answer{
	link.CodeNoCallsign:     {550, smtp.EnhancedCode{5, 1, 1}}, // bad destination mailbox
	link.CodeNoRoute:        {550, smtp.EnhancedCode{5, 1, 1}},
	link.CodeNotText:        {554, smtp.EnhancedCode{5, 6, 1}}, // media not supported
	link.CodeLooksEncrypted: {554, smtp.EnhancedCode{5, 6, 1}},
	link.CodeTooLong:        {552, smtp.EnhancedCode{5, 3, 4}}, // message too big
	link.CodeExpired:        {550, smtp.EnhancedCode{5, 4, 7}}, // delivery time expired
	link.CodeLooped:         {554, smtp.EnhancedCode{5, 4, 6}}, // routing loop
	link.CodeBlocked:        {550, smtp.EnhancedCode{5, 7, 1}}, // not authorised
	link.CodeThirdParty:     {550, smtp.EnhancedCode{5, 7, 1}},
	link.CodeNotAllowed:     {550, smtp.EnhancedCode{5, 7, 1}},
	link.CodeBadSignature:   {550, smtp.EnhancedCode{5, 7, 20}}, // no passing DKIM signature
	// A rate passes: the sender's server keeps the mail and nobody has to write again.
	link.CodeTooMany: {450, smtp.EnhancedCode{4, 7, 1}},
	link.CodeFull:    {452, smtp.EnhancedCode{4, 3, 1}}, // mail system full
}

// reply makes an SMTP answer. Everything in it is printable ASCII on one line.
func reply(code, class, subject, detail int, format string, args ...any) *smtp.SMTPError {
	return &smtp.SMTPError{
		Code: code, EnhancedCode: smtp.EnhancedCode{class, subject, detail},
		Message: printable(fmt.Sprintf(format, args...)),
	}
}

func notASCII(who string) error {
	return reply(553, 5, 6, 7, "the %s's address must be ASCII", who)
}

// refused turns what went wrong into the client's answer, counts it and logs it.
// about is the mail as far as it is known.
func (s *session) refused(err error, about message.Message) error {
	if err == nil {
		return nil
	}
	out, ok := errors.AsType[*smtp.SMTPError](err)
	counted := false
	if r, is := errors.AsType[*refusal](err); is {
		a, known := answers[r.code]
		if !known {
			a = answers[link.CodeNotAllowed]
		}
		if counted = true; !r.counted {
			s.host.TurnedAway(about, r.code, r.why)
		}
		out, ok = reply(a.code, a.status[0], a.status[1], a.status[2], "%s", r.Error()), true
	}
	if !ok {
		// A plain error would show our inside to the client, as permanent.
		s.log.Error("mail failed", "err", err)
		out = reply(451, 4, 3, 0, "local trouble, try again later")
	}
	if !counted {
		s.host.Count("smtp")
	}
	s.log.Info("mail refused", "reply", out.Code, "why", out.Message, "client", s.conn.Conn().RemoteAddr().String())
	return out
}

// printable gives s as one line of printable ASCII of bounded length.
func printable(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\r' || r == '\n' || r == '\t':
			return ' '
		case r < ' ' || r > '~':
			return '?'
		}
		return r
	}, s)
	return clip(strings.Join(strings.Fields(s), " "), maxWhy)
}

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return strings.ToValidUTF8(s[:n-3], "") + "..."
}

// errorLog passes go-smtp's words on to slog.
type errorLog struct{ log *slog.Logger }

func (e errorLog) Printf(format string, args ...any) {
	e.log.Warn("mail server", "err", clip(fmt.Sprintf(format, args...), 2000))
}
func (e errorLog) Println(args ...any) { e.Printf("%s", fmt.Sprintln(args...)) }
