package broker

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"

	"posthouse/adapters/reach"
)

// dial connects to the first address that can be reached, beginning with s.at.
func (s *session) dial(ctx context.Context) (net.Conn, error) {
	var failed []error
	for i := range s.opts.URLs {
		at := (int(s.at.Load()) + i) % len(s.opts.URLs)
		conn, err := s.dialOne(ctx, s.opts.URLs[at])
		if err == nil {
			s.at.Store(int32(at))
			return conn, nil
		}
		failed = append(failed, err)
	}
	s.at.Store(int32(len(s.opts.URLs) - 1)) // all have been tried: the list begins again
	if len(failed) == 1 {
		return nil, failed[0]
	}
	return nil, unreachable(failed)
}

// unreachable has the error of each address.
type unreachable []error

func (e unreachable) Error() string {
	var all []string
	for _, err := range e {
		all = append(all, err.Error())
	}
	return strings.Join(all, "; ")
}

func (e unreachable) Unwrap() []error { return e }

// dialOne checks the broker's certificate for the host in the address, unless the settings
// have another name.
func (s *session) dialOne(ctx context.Context, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, connectWait)
	defer cancel()
	conn, err := reach.Dial(ctx, "tcp", u.Host)
	if err != nil || u.Scheme != "ssl" {
		return conn, err
	}
	config := s.tls()
	if config.ServerName == "" {
		config.ServerName = u.Hostname()
	}
	secured := tls.Client(conn, config)
	if err := secured.HandshakeContext(ctx); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return secured, nil
}

// tls trusts the present certificates in CAFile or, if that cannot be read, those at the
// start.
func (s *session) tls() *tls.Config {
	if now, err := tlsConfig(s.opts.TLS, s.opts.CAFile); err == nil {
		return now
	}
	return s.opts.TLS.Clone()
}

// host is the address that was reached last.
func (s *session) host() string { return s.opts.URLs[s.at.Load()].Host }

// where names that address, if there are several.
func (s *session) where() string {
	if len(s.opts.URLs) == 1 {
		return ""
	}
	return " at " + s.host()
}

// hosts are all addresses.
func (s *session) hosts() string {
	var all []string
	for _, u := range s.opts.URLs {
		all = append(all, u.Host)
	}
	return strings.Join(all, " or ")
}

// parseURLs reads the addresses of one broker, or of several separated by commas.
func parseURLs(list string) (all []*url.URL, err error) {
	for item := range strings.SplitSeq(list, ",") {
		u, err := parseURL(strings.TrimSpace(item))
		if err != nil {
			return nil, err
		}
		all = append(all, u)
	}
	return all, nil
}

// parseURL reads a broker's address and adds the usual port.
func parseURL(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, errors.New("not an address: write tcp://host:1883 or ssl://host:8883") // err would show a password in it
	case u.User != nil:
		return nil, errors.New("take the user name and password out, _USERNAME and _PASSWORD_FILE are for them")
	case u.Scheme != "tcp" && u.Scheme != "ssl", u.Hostname() == "", u.Path != "" && u.Path != "/":
		return nil, fmt.Errorf("%q is not of the form tcp://host:port or ssl://host:port", s)
	}
	if u.Port() == "" {
		port := "1883"
		if u.Scheme == "ssl" {
			port = "8883"
		}
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	u.Path = ""
	return u, nil
}

// tlsConfig trusts the certificates in caFile, or without it the system's.
func tlsConfig(base *tls.Config, caFile string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if base != nil {
		c = base.Clone()
	}
	if caFile == "" {
		return c, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read the broker's certificates: %w", err)
	}
	c.RootCAs = x509.NewCertPool()
	if !c.RootCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", caFile)
	}
	return c, nil
}
