package adapters

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"syscall"

	"posthouse/bridge/config"
)

// prober is a link that can try its connection without doing its work.
type prober interface {
	Probe(ctx context.Context, say func(string)) error
}

// Probe tries what a link needs from the network: names, connections, TLS, logins. It
// tells each thing that worked, and gives the first that did not, with the words
// what to do. It disturbs no gateway that is running, and needs none.
func Probe(ctx context.Context, l config.Link, n Needs, say func(string)) error {
	if at := listens(l); at != "" {
		say("runs a broker of its own on " + at + ", and has nothing to connect to")
		return nil
	}
	for _, host := range hosts(l) {
		if err := find(ctx, host, say); err != nil {
			return err
		}
	}
	made, err := New(l, n)
	if err != nil {
		return err
	}
	p, ok := made.(prober)
	if !ok {
		return fmt.Errorf("a link of kind %s cannot be tried", l.Kind)
	}
	return advised(p.Probe(ctx, say))
}

// listens is where a link's built-in broker listens; empty: it has none.
func listens(l config.Link) string {
	switch {
	case l.Mesh != nil:
		return l.Mesh.BrokerListen
	case l.Trunk != nil:
		return l.Trunk.BrokerListen
	}
	return ""
}

// hosts are the hosts that a link connects to.
func hosts(l config.Link) (list []string) {
	switch {
	case l.Mesh != nil, l.Trunk != nil:
		var addresses []string
		if l.Mesh != nil {
			addresses = []string{l.Mesh.BrokerURL}
		} else {
			addresses = l.Trunk.BrokerURLs()
		}
		for _, address := range addresses {
			if u, err := url.Parse(address); err == nil {
				list = append(list, u.Hostname())
			}
		}
	case l.APRS != nil:
		list = append(list, hostOf(l.APRS.Server))
	case l.Mail != nil:
		list = append(list, hostOf(l.Mail.Smarthost), hostOf(l.Mail.Mailbox))
	}
	return list
}

func hostOf(hostport string) string {
	host, _, _ := net.SplitHostPort(hostport) // empty, or checked with the settings
	return host
}

// find asks for the addresses of a name.
func find(ctx context.Context, host string, say func(string)) error {
	if _, err := netip.ParseAddr(host); host == "" || err == nil {
		return nil
	}
	found, err := net.DefaultResolver.LookupHost(ctx, host)
	if err != nil {
		return advised(err)
	}
	say(host + " is " + found[0])
	return nil
}

// advised says what to do about an error of the network.
func advised(err error) error {
	if advice := advice(err); advice != "" {
		return fmt.Errorf("%w; %s", err, advice)
	}
	return err
}

func advice(err error) string {
	if name, ok := errors.AsType[*net.DNSError](err); ok {
		if name.IsNotFound {
			return "there is no such name: check how it is spelt"
		}
		return "this machine cannot ask for names: check its network and /etc/resolv.conf"
	}
	if words := tlsAdvice(err); words != "" {
		return words
	}
	timeout := interface{ Timeout() bool }(nil)
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return "nobody listens there: is the server running, is the port right?"
	case errors.Is(err, syscall.ECONNRESET), errors.Is(err, syscall.EPIPE), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "it hung up: does it want TLS there, or none (ssl:// or tcp://, implicit or starttls)? Does it let this machine in?"
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EHOSTUNREACH):
		return "there is no way to it: check this machine's network"
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return "no answer: check the address and the port, and whether a firewall is in between"
	}
	return ""
}

func tlsAdvice(err error) string {
	if _, ok := errors.AsType[tls.RecordHeaderError](err); ok {
		return "it does not speak TLS there: check the port, and tcp:// or ssl://, starttls or implicit"
	}
	if c, ok := errors.AsType[x509.CertificateInvalidError](err); ok && c.Reason == x509.Expired {
		return "its certificate does not hold now: is this machine's clock right? Else its operator has to renew it"
	}
	if c, ok := errors.AsType[x509.HostnameError](err); ok && c.Certificate != nil {
		return "its certificate is for " + cmp.Or(strings.Join(c.Certificate.DNSNames, ", "), "other names") + ": write the address by that name"
	}
	if err == nil {
		return ""
	}
	if _, alert, ok := strings.Cut(err.Error(), "remote error: tls: "); ok && strings.Contains(alert, "certificate") { // the standard library has no type for it
		if strings.HasPrefix(alert, "certificate required") {
			return "it wants a certificate from us: a trunk names it in _CERT_FILE, its key in _KEY_FILE; for other links, have it ask for a user name and password only"
		}
		return "it does not take our certificate: name one in _CERT_FILE that its operator's authority has signed and that still holds"
	}
	if strings.Contains(err.Error(), "tls: ") && strings.Contains(err.Error(), "protocol version") { // an alert from there, or a plain error from here
		return "it knows only TLS before 1.2, which keeps nothing secret: its operator has to bring it up to date"
	}
	if _, ok := errors.AsType[x509.UnknownAuthorityError](err); ok {
		return "its certificate is signed by nobody whom this machine knows: name the signer's certificate (for a trunk in _CA_FILE, else in /usr/local/share/ca-certificates, then update-ca-certificates, and restart a gateway that runs)"
	}
	return ""
}
