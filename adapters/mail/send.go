package mail

import (
	"context"
	"errors"
	"fmt"
	"net/textproto"
	"strings"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// codeRefused says that the smarthost refused a mail for good (5xx).
const codeRefused = "mail-refused"

// Send implements link.Link: one mail to one recipient in one transaction, so
// that its result is exact.
func (a *Adapter) Send(ctx context.Context, frames []link.Frame) []error {
	results := make([]error, len(frames))
	for i, f := range frames {
		results[i] = a.send(ctx, f)
	}
	return results
}

func (a *Adapter) send(ctx context.Context, f link.Frame) error {
	if a.post == nil {
		return link.Permanent(link.CodeNoRoute, errors.New("no smarthost is set: this link only receives"))
	}
	if f.Message.Kind != message.Text && f.Message.Kind != message.Notice {
		return link.Permanent(link.CodeNotText, fmt.Errorf("a %s is not sent by mail", f.Message.Kind))
	}
	m, err := a.o.compose(f)
	if err != nil {
		return link.Permanent("bad-address", err)
	}
	err = a.post.deliver(ctx, m)
	if ctx.Err() != nil && err != nil {
		return ctx.Err()
	}
	return verdict(err, f)
}

// verdict sorts an SMTP answer: 5xx ends it, 4xx waits, anything else is the
// network's and temporary (RFC 5321 section 4.2.1).
func verdict(err error, f link.Frame) error {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	switch {
	case err == nil, errors.Is(err, link.ErrDown):
		return err
	case !ok: // EOF by itself would tell the operator nothing
		return fmt.Errorf("the talk with the mail server broke off: %w", err)
	}
	err = &serverError{answerText(answer, f.Message.To), err}
	switch {
	case wantsLogin(answer):
		return link.RetryAfter(10*time.Minute, err)
	case answer.Code/100 == 5 && !outOfTurn(answer):
		return link.Permanent(codeRefused, err)
	}
	return link.RetryAfter(pause(f), err)
}

// outOfTurn knows the answer that is about the session and never about the mail: bad
// sequence of commands (RFC 5321 section 4.2.3).
func outOfTurn(err error) bool {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	return ok && answer.Code == 503
}

// answerText puts an answer as a person reads it, without the address that most
// servers repeat: the notice names it already, and is short.
func answerText(answer *smtp.SMTPError, to string) string {
	status := ""
	if c := answer.EnhancedCode; c[0] > 0 {
		status = fmt.Sprintf(" %d.%d.%d", c[0], c[1], c[2])
	}
	return printable(fmt.Sprintf("the mail server answered %d%s: %s", answer.Code, status, strings.TrimPrefix(answer.Message, "<"+to+">: ")))
}

// pause is the wait after a 4xx. RFC 5321 section 4.5.4.1 asks for 30 minutes as
// a rule and allows more tries at first; servers that defer unknown senders on
// purpose usually take them after 5 minutes.
func pause(f link.Frame) time.Duration {
	switch {
	case f.Message.Precedence == message.Emergency:
		return time.Minute
	case f.Attempt <= 1:
		return 2 * time.Minute
	case f.Attempt <= 4:
		return 5 * time.Minute
	}
	return 30 * time.Minute
}

// deliver hands one mail over. An idle connection may have been closed by the
// server meanwhile: then, and only before anything was said of this mail, a
// fresh one is used. So it is where the session is out of turn: go-smtp greets again
// after RSET, and some servers take one EHLO only.
func (p *smarthost) deliver(ctx context.Context, m *outgoing) error {
	for {
		c, fresh, err := p.get(ctx)
		if err != nil {
			return err
		}
		stop := context.AfterFunc(ctx, func() { c.conn.Close() })
		begun, err := c.transact(m)
		if !stop() {
			p.drop(c)
			return err // a 250 that came before counts
		}
		if !fresh && outOfTurn(err) {
			p.drop(c)
			continue
		}
		if wantsLogin(err) {
			p.drop(c)
			p.isAway(cleanError("smarthost "+p.o.Smarthost, err))
			return err
		}
		if err == nil || isAnswer(err) && c.Reset() == nil {
			p.put(c)
			return err
		}
		p.drop(c)
		if begun || fresh || ctx.Err() != nil {
			return err
		}
	}
}

// transact speaks one mail transaction. begun is set once the server has
// answered to it.
func (c *connection) transact(m *outgoing) (begun bool, err error) {
	c.used++
	options := &smtp.MailOptions{Size: int64(len(m.data)), Return: smtp.DSNReturnHeaders, EnvelopeID: idText(m.record)}
	notify := []smtp.DSNNotify{smtp.DSNNotifyFailure}
	if m.notice {
		options.EnvelopeID, notify = "", []smtp.DSNNotify{smtp.DSNNotifyNever}
	}
	if err := c.Mail(m.from, options); err != nil {
		return isAnswer(err), err
	}
	if err := c.Rcpt(m.to, &smtp.RcptOptions{
		Notify: notify, OriginalRecipientType: smtp.DSNAddressTypeRFC822, OriginalRecipient: m.to,
	}); err != nil {
		return true, err
	}
	w, err := c.Data()
	if err != nil {
		return true, err
	}
	if _, err := w.Write(m.data); err != nil {
		return true, err
	}
	_, err = w.CloseWithResponse()
	return true, taken(err)
}

// taken gives nil for every answer that begins with a 2. RFC 5321 section 4.2 has a
// client go by that, and take a code without a text; go-smtp wants 250 and a text,
// and the mail would go out again and again.
func taken(err error) error {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	if ok && answer.Code/100 == 2 {
		return nil
	}
	bare, ok := errors.AsType[textproto.ProtocolError](err)
	if ok && strings.HasPrefix(string(bare), `short response: "2`) {
		return nil
	}
	return err
}

func isAnswer(err error) bool {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	return ok && answer.Code != 421 // 421 ends the session
}

// cleanError keeps an error's kind and shows a server's words as one printable,
// bounded line.
func cleanError(doing string, err error) error {
	return &serverError{doing + ": " + printable(err.Error()), err}
}

type serverError struct {
	text string
	err  error
}

func (e *serverError) Error() string { return e.text }
func (e *serverError) Unwrap() error { return e.err }
