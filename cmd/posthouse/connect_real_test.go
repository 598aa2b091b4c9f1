package main

import (
	"errors"
	"os/exec"
	"strings"
	"testing"

	"posthouse/adapters/mail/dovecottest"
	"posthouse/adapters/mail/postfixtest"
)

// connectFrom runs check --connect in a process of its own, which knows the
// authority ca ("": none but the system's), and gives its exit code and what it says.
func connectFrom(t *testing.T, ca string, settings ...string) (code int, said string) {
	t.Helper()
	program, err := exec.LookPath("posthouse") // TestMain put it there
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "check", "--connect")
	cmd.Env = append(cleanEnvironment(), "POSTHOUSE_CALLSIGN="+gatewayCall, "POSTHOUSE_DATA_DIR="+t.TempDir(), "POSTHOUSE_COUNTRY=US")
	cmd.Env = append(cmd.Env, settings...)
	if ca != "" {
		cmd.Env = append(cmd.Env, "SSL_CERT_FILE="+ca) // crypto/x509: the system's certificates
	}
	out, err := cmd.CombinedOutput()
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		code = exit.ExitCode()
	} else if err != nil {
		t.Fatal(err)
	}
	_, said, _ = strings.Cut(string(out), "Trying the network")
	return code, strings.Join(strings.Fields(said), " ")
}

func TestConnectToARealPostfix(t *testing.T) {
	t.Parallel()
	cert, key := certificate(t)
	p := postfixtest.Start(t, postfixtest.Options{Conf: []string{
		"smtpd_tls_cert_file = " + cert, "smtpd_tls_key_file = " + key, "smtpd_tls_security_level = may",
	}})
	login := []string{"POSTHOUSE_POST_SMARTHOST_USERNAME=gateway", "POSTHOUSE_POST_SMARTHOST_PASSWORD=swordfish"}
	for _, c := range []struct {
		name, ca string
		settings []string
		code     int
		want     []string
	}{
		{"without TLS", "", mailTo(p.Addr, "none"), 0, []string{"post ok: smarthost " + p.Addr + " answers (no TLS, no login)"}},
		{"with STARTTLS", cert, mailTo(p.Addr, "starttls"), 0, []string{"post ok: smarthost " + p.Addr + " answers (TLS by STARTTLS, no login)"}},
		{"a certificate that nobody vouches for", "", mailTo(p.Addr, "starttls"), exitUnavailable, []string{"NOT OK: smarthost " + p.Addr, "certificate"}},
		{"TLS where there is none at once", cert, mailTo(p.Addr, "implicit"), exitUnavailable, []string{"NOT OK", "it does not speak TLS there"}},
		{"a login that it does not offer", cert, mailTo(p.Addr, "starttls", login...), exitUnavailable, []string{"NOT OK: smarthost " + p.Addr, "it offers neither AUTH PLAIN nor LOGIN"}},
	} {
		code, said := connectFrom(t, c.ca, c.settings...)
		if code != c.code {
			t.Errorf("%s: exit code %d, want %d", c.name, code, c.code)
		}
		speaks(t, said, c.want...)
	}
	if log := p.Log(); strings.Contains(log, "from=<") {
		t.Errorf("a mail was sent:\n%s", log)
	}
}

func TestConnectToAPostfixThatWantsTLS(t *testing.T) {
	t.Parallel()
	cert, key := certificate(t)
	p := postfixtest.Start(t, postfixtest.Options{Conf: []string{
		"smtpd_tls_cert_file = " + cert, "smtpd_tls_key_file = " + key, "smtpd_tls_security_level = encrypt",
	}})
	_, said := connectFrom(t, cert, mailTo(p.Addr, "none")...)
	speaks(t, said, "NOT OK: smarthost "+p.Addr, "TLS", "STARTTLS")
}

func TestConnectToAPostfixThatDoesNotLetUsSend(t *testing.T) {
	t.Parallel()
	p := postfixtest.Start(t, postfixtest.Options{Conf: []string{"smtpd_sender_restrictions = check_sender_access static:{553 5.7.1 not owned by you}"}})
	code, said := connectFrom(t, "", mailTo(p.Addr, "none")...)
	if code != exitUnavailable {
		t.Errorf("exit code %d", code)
	}
	speaks(t, said, "NOT OK: smarthost "+p.Addr, "takes no mail from <bounce+", "not owned by you")
}

func TestConnectToARealMailbox(t *testing.T) {
	t.Parallel()
	cert, key := certificate(t)
	box := dovecottest.Start(t, cert, key)
	box.Deliver("From: ann@club.example\r\nTo: gateway+N0QRB-9@radio.example\r\nSubject: x\r\n\r\nhello\r\n")
	settings := func(more ...string) []string {
		return append([]string{
			"POSTHOUSE_LINKS=post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_MAILBOX_ADDRESS=gateway@radio.example",
			"POSTHOUSE_POST_MAILBOX=" + box.Addr, "POSTHOUSE_POST_MAILBOX_USERNAME=" + dovecottest.User,
		}, more...)
	}
	right := "POSTHOUSE_POST_MAILBOX_PASSWORD=" + dovecottest.Password
	for _, c := range []struct {
		name, ca string
		settings []string
		code     int
		want     []string
	}{
		{"as it should be", cert, settings(right), 0, []string{"post ok: mailbox " + box.Addr + " answers (TLS, logged in)"}},
		{"a wrong password", cert, settings("POSTHOUSE_POST_MAILBOX_PASSWORD=swordfish"), exitUnavailable, []string{"NOT OK: mailbox " + box.Addr, "AUTHENTICATIONFAILED"}},
		{"no such folder", cert, settings(right, "POSTHOUSE_POST_MAILBOX_FOLDER=Radio"), exitUnavailable, []string{"NOT OK: mailbox " + box.Addr + ": open the folder Radio"}},
		{"a certificate that nobody vouches for", "", settings(right), exitUnavailable, []string{"NOT OK: mailbox " + box.Addr, "certificate"}},
	} {
		code, said := connectFrom(t, c.ca, c.settings...)
		if code != c.code {
			t.Errorf("%s: exit code %d, want %d", c.name, code, c.code)
		}
		speaks(t, said, c.want...)
		if strings.Contains(said, dovecottest.Password) {
			t.Errorf("%s: it shows the password: %s", c.name, said)
		}
	}
	if marks := box.Marks(); len(marks) != 1 || marks[0] != "" && marks[0] != "new" {
		t.Errorf("the mail in the mailbox is marked %v, want no mark", marks)
	}
	box.Protect()
	_, said := connectFrom(t, cert, settings(right)...)
	speaks(t, said, "NOT OK: mailbox "+box.Addr, "can only be read")
}
