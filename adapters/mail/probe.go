package mail

import (
	"context"
	"fmt"
)

// Probe connects to the smarthost and to the mailbox, TLS and login included,
// and tells what worked. No mail is sent, fetched or marked.
func (a *Adapter) Probe(ctx context.Context, say func(string)) error {
	if a.o.Smarthost != "" {
		c, err := newSmarthost(a.o, a.log).dial(ctx)
		if err != nil {
			return err
		}
		c.quit()
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

func reached(what, protection, user string) string {
	how := map[string]string{StartTLS: "TLS by STARTTLS", ImplicitTLS: "TLS", NoTLS: "no TLS"}[protection]
	if user == "" {
		return fmt.Sprintf("%s answers (%s, no login)", what, how)
	}
	return fmt.Sprintf("%s answers (%s, logged in)", what, how)
}
