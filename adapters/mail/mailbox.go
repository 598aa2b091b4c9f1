package mail

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"
)

// Mailbox is where mail waits that no mail exchanger of ours could take: a Pi
// at home has none that the world reaches.
type Mailbox struct {
	Server             string // host:port, IMAP (RFC 9051, RFC 3501); empty: no mailbox
	TLS                string // ImplicitTLS (default), StartTLS or NoTLS
	Username, Password string
	Folder             string // INBOX

	// Address is the mailbox's own mail address when it has only one. Stations
	// are then reached at its subaddresses, mailbox+CALL@domain.
	Address string

	// Vouches is the authserv-id of the provider's Authentication-Results (RFC
	// 8601 section 2.5), which are then believed about who wrote a mail. Empty:
	// we check its DKIM signature ourselves.
	Vouches string

	Every time.Duration // 5m: looks this often, and at once where the server has IDLE (RFC 2177)
}

func (m Mailbox) withDefaults() Mailbox {
	m.TLS = cmp.Or(m.TLS, ImplicitTLS)
	m.Folder = cmp.Or(m.Folder, "INBOX")
	m.Every = cmp.Or(m.Every, 5*time.Minute)
	return m
}

func (m Mailbox) check(domain string) error {
	user, at, ok := cutAddress(m.Address)
	if m.Server == "" && m.Address == "" {
		return nil
	}
	switch _, _, err := net.SplitHostPort(cmp.Or(m.Server, "none:0")); {
	case err != nil:
		return fmt.Errorf("mailbox %q: write host:port (imap.club.example:993)", m.Server)
	case !slices.Contains([]string{StartTLS, ImplicitTLS, NoTLS}, m.TLS):
		return fmt.Errorf("mailbox TLS %q: write implicit, starttls or none", m.TLS)
	case m.Server != "" && (m.Username == "" || m.Password == ""):
		return errors.New("the mailbox needs a user name and a password")
	case m.Address != "" && (!ok || user == "" || !strings.EqualFold(at, domain)):
		return fmt.Errorf("mailbox address %q is not at the domain %s", m.Address, domain)
	case len(user) > 16:
		return fmt.Errorf("mailbox address %q: more than 16 characters before the @ leave no room for what comes behind a +", m.Address)
	}
	return nil
}
