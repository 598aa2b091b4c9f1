package mail

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/emersion/go-smtp"
)

// Probe connects to the smarthost and to the mailbox, TLS and login included,
// and tells what worked. No mail is sent, fetched or marked.
func (a *Adapter) Probe(ctx context.Context, say func(string)) error {
	if a.o.Smarthost != "" {
		c, err := newSmarthost(a.o, a.log).dial(ctx)
		if err != nil {
			return err
		}
		stop := context.AfterFunc(ctx, func() { c.conn.Close() }) // go-smtp knows no context
		err = c.lets(a.o)
		stop()
		c.quit()
		if err != nil {
			return cleanError("smarthost "+a.o.Smarthost, err)
		}
		say(reached("smarthost "+a.o.Smarthost, a.o.SmarthostTLS, a.o.Username))
	}
	if a.o.Mailbox.Server == "" {
		return nil
	}
	v := &visit{fetcher: newFetcher(a.o, a.log, &sides{})}
	if err := v.open(ctx); err != nil {
		return cleanError("mailbox "+a.o.Mailbox.Server, err)
	}
	defer v.client.Close()
	if err := v.enter(); err != nil {
		return cleanError("mailbox "+a.o.Mailbox.Server, err)
	}
	say(reached("mailbox "+a.o.Mailbox.Server, a.o.Mailbox.TLS, a.o.Mailbox.Username))
	return nil
}

// lets tells whether the smarthost lets us send from the addresses that we need: some
// providers take the account's own only. Postfix says so at RCPT (smtpd_delay_reject), where
// other answers are about the recipient. No mail is sent.
func (c *connection) lets(o Options) error {
	bounce, err := o.bounceAddress("check")
	if err != nil {
		return err
	}
	for _, from := range []string{bounce, ""} {
		err := c.Mail(from, nil)
		if err == nil {
			err = c.Rcpt(o.addressOf(strings.ToLower(o.Call)), nil)
			if err != nil && !strings.Contains(strings.ToLower(err.Error()), "sender") {
				err = nil
			}
		}
		if answer, ok := errors.AsType[*smtp.SMTPError](err); ok && answer.Code/100 == 5 && !outOfTurn(err) {
			return fmt.Errorf("it takes no mail from <%s>, have it let this user send as any address at %s, and without one: %w", from, o.Domain, err)
		}
		if c.Reset() != nil {
			return nil // some servers take one EHLO only, and go-smtp says it anew
		}
	}
	return nil
}

func reached(what, protection, user string) string {
	how := map[string]string{StartTLS: "TLS by STARTTLS", ImplicitTLS: "TLS", NoTLS: "no TLS"}[protection]
	if user == "" {
		return fmt.Sprintf("%s answers (%s, no login)", what, how)
	}
	return fmt.Sprintf("%s answers (%s, logged in)", what, how)
}
