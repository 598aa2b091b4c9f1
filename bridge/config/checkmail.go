package config

import (
	"strings"
	"time"
)

func (l *loader) checkMailIn(k *Link) {
	m := k.Mail
	if m.Domain != "" && !isDomain(m.Domain) {
		l.fail(k.variable("DOMAIN"), "is "+quote(m.Domain), "write a mail domain, such as radio.county.example")
	}
	l.checkListen(k.variable("LISTEN"), m.Listen)
	switch {
	case l.blames(k.variable("LISTEN"), k.variable("MAILBOX"), k.variable("SMARTHOST"), k.variable("DIRECTION")): // maybe nothing is missing
	case m.Listen == "" && m.Mailbox == "" && m.Smarthost == "":
		l.fail(k.variable("LISTEN"), "and "+k.variable("SMARTHOST")+" are both missing", "set one of them or both, or "+k.variable("MAILBOX"))
	case m.Listen == "" && m.Mailbox == "" && k.Direction == "in":
		l.fail(k.variable("LISTEN"), "is missing, and the link is to receive only", "set it or "+k.variable("MAILBOX")+", or change "+k.variable("DIRECTION"))
	case m.Smarthost == "" && k.Direction == "out":
		l.fail(k.variable("SMARTHOST"), "is missing, and the link is to send only", "set it, or change "+k.variable("DIRECTION"))
	}
	if m.Listen != "" && len(m.Relays) > 0 && k.MayReceive() {
		l.warn(k.variable("RELAYS"), "are believed about who wrote a mail: "+relaysText(k),
			"make sure that the mail server there verifies From (DKIM or DMARC), or empty the list")
	}
	if k.Medium == Amateur && m.TLSCertFile != "" {
		l.fail(k.variable("TLS_CERT_FILE"), "is for TLS, which encrypts, on an amateur link", "remove it, or set "+k.variable("MEDIUM")+"=internet if that is what the path is")
	}
	l.checkPair(k, "TLS_CERT_FILE", m.TLSCertFile, "TLS_KEY_FILE", m.TLSKeyFile)
	l.checkMailbox(k)
}

func (l *loader) checkMailbox(k *Link) {
	m := k.Mail
	name := k.variable("MAILBOX")
	if m.MailboxAddress != "" && !l.blames(k.variable("DOMAIN")) {
		user, domain, ok := strings.Cut(m.MailboxAddress, "@")
		if !ok || user == "" || len(user) > 16 || !strings.EqualFold(domain, m.Domain) {
			l.fail(k.variable("MAILBOX_ADDRESS"), "is "+quote(m.MailboxAddress), "write an address of at most 16 characters before @"+m.Domain)
		}
	}
	if m.Mailbox == "" {
		return
	}
	host, port, ok := splitHostPort(m.Mailbox)
	switch {
	case !ok || host == "" || port == 0:
		l.fail(name, "is "+quote(m.Mailbox), "write host:port, such as imap.county.example:993")
		return
	case m.MailboxUsername == "":
		l.fail(k.variable("MAILBOX_USERNAME"), "is missing", "write the name by which the mailbox is opened")
	case m.MailboxPassword.IsZero() && !l.blames(k.variable("MAILBOX_PASSWORD")):
		l.fail(k.variable("MAILBOX_PASSWORD"), "is missing", "put it into a file and write "+k.variable("MAILBOX_PASSWORD_FILE"))
	case k.Medium == Amateur:
		l.refuseAmateurPassword(k, "MAILBOX_PASSWORD")
	case m.MailboxTLS == "none" && !isLoopback(host):
		l.fail(k.variable("MAILBOX_TLS"), "is none, and the mailbox is not on this machine", "write implicit or starttls")
	}
	if m.MailboxVouches == "" && k.MayReceive() {
		l.warn(k.variable("MAILBOX_VOUCHES"), "is missing: only mail whose DKIM signature holds as it lies in the mailbox is taken",
			"write the name at the beginning of your provider's Authentication-Results, if it deletes foreign ones of that name")
	}
	if m.MailboxEvery < 30*time.Second || m.MailboxEvery > 25*time.Minute {
		l.fail(k.variable("MAILBOX_EVERY"), "is "+m.MailboxEvery.String(), "write 30s to 25m: providers cut off who asks too often, and who is silent for half an hour")
	}
}

func relaysText(k *Link) string {
	for _, v := range kindTable(k, KindMail) {
		if v.name == "RELAYS" {
			return quote(v.text())
		}
	}
	return ""
}

func (l *loader) checkSmarthost(k *Link) {
	m := k.Mail
	hasName, hasPassword := m.SmarthostUsername != "", !m.SmarthostPassword.IsZero()
	switch {
	case hasPassword && !hasName:
		l.fail(k.variable("SMARTHOST_USERNAME"), "is missing, and a password is set", "set both or none")
	case hasName && !hasPassword && !l.blames(k.variable("SMARTHOST_PASSWORD")):
		l.fail(k.variable("SMARTHOST_PASSWORD"), "is missing, and a user name is set", "set both or none")
	case hasPassword && k.Medium == Amateur:
		l.refuseAmateurPassword(k, "SMARTHOST_PASSWORD")
	}
	if m.Smarthost == "" {
		return
	}
	name := k.variable("SMARTHOST")
	host, port, ok := splitHostPort(m.Smarthost)
	if !ok || host == "" || port == 0 {
		l.fail(name, "is "+quote(m.Smarthost), "write host:port, such as mail.county.example:587")
		return
	}
	switch {
	case k.Medium == Amateur && m.SmarthostTLS != "none":
		l.fail(k.variable("SMARTHOST_TLS"), "is "+m.SmarthostTLS+", which encrypts, on an amateur link", "write none, or set "+k.variable("MEDIUM")+"=internet if that is what the path is")
	case l.isInternet(k) && m.SmarthostTLS == "none" && !isLoopback(host):
		l.fail(k.variable("SMARTHOST_TLS"), "is none, and the smarthost is not on this machine", "write starttls or implicit")
	}
	l.warnAmateurAddress(k, name, host)
}
