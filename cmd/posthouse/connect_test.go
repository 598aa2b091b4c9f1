package main

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha512"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"posthouse/adapters"
	"posthouse/adapters/aprsis/standin"
	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/sink"
)

// checkConnect runs check --connect with settings, and gives what it says about
// the network.
func checkConnect(t *testing.T, want int, settings ...string) string {
	t.Helper()
	var out, log bytes.Buffer
	env := append([]string{"POSTHOUSE_CALLSIGN=" + gatewayCall, "POSTHOUSE_DATA_DIR=" + t.TempDir(), "POSTHOUSE_COUNTRY=US"}, settings...)
	code := run([]string{"check", "--connect", "--within=10s"}, streams{strings.NewReader(""), &out, &log}, env)
	_, said, _ := strings.Cut(out.String(), "Trying the network")
	if code != want {
		t.Errorf("exit code %d, want %d:\n%s%s", code, want, &out, &log)
	}
	return strings.Join(strings.Fields(said), " ") // as if the terminal were wide
}

// speaks checks for words, and that no secret is among them.
func speaks(t *testing.T, said string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(said, w) {
			t.Errorf("it does not say %q, but %q", w, said)
		}
	}
	if strings.Contains(said, "swordfish") {
		t.Errorf("it shows a secret: %q", said)
	}
}

func TestConnectToABroker(t *testing.T) {
	t.Parallel()
	b := brokertest.Mosquitto(t, brokertest.Password(t, "club", "swordfish")...)
	valley := append(mesh("valley", b.Addr), "POSTHOUSE_LINKS=valley", "POSTHOUSE_VALLEY_USERNAME=club")
	speaks(t, checkConnect(t, 0, append(valley, "POSTHOUSE_VALLEY_PASSWORD=swordfish")...),
		"valley ok: connected to "+b.Addr, "ok: logged in as club", "ok: may read valley/from")
	said := checkConnect(t, exitUnavailable, append(valley, "POSTHOUSE_VALLEY_PASSWORD=swordfis")...)
	speaks(t, said, "NOT OK: the broker at "+b.Addr+" refuses the user name or password: check _USERNAME and _PASSWORD_FILE")
	b.Stop()
	speaks(t, checkConnect(t, exitUnavailable, append(valley, "POSTHOUSE_VALLEY_PASSWORD=swordfish")...), "nobody listens there: is the server running")
}

// A topic that the broker does not let us read is found (with the plugin that
// Mosquitto has for it; a plain access list says yes to everybody, and hands out
// nothing).
func TestConnectFindsAClosedTopic(t *testing.T) {
	t.Parallel()
	plugin, _ := filepath.Glob("/usr/lib/*/mosquitto_dynamic_security.so")
	brokertest.Program(t, "mosquitto")
	if len(plugin) == 0 {
		t.Skip("this Mosquitto has no plugin for access")
	}
	salt := []byte("saltsaltsalt")
	key, err := pbkdf2.Key(sha512.New, "swordfish", salt, 101, 64)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "access.json")
	access, err := json.Marshal(map[string]any{
		"defaultACLAccess": map[string]bool{"publishClientSend": false, "publishClientReceive": true, "subscribe": false, "unsubscribe": true},
		"clients":          []any{map[string]any{"username": "club", "password": key, "salt": salt, "iterations": 101}},
	})
	if err == nil {
		err = os.WriteFile(file, access, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	b := brokertest.Mosquitto(t, "allow_anonymous false", "plugin "+plugin[0], "plugin_opt_config_file "+file)
	speaks(t, checkConnect(t, exitUnavailable, append(mesh("valley", b.Addr), "POSTHOUSE_LINKS=valley", "POSTHOUSE_VALLEY_USERNAME=club", "POSTHOUSE_VALLEY_PASSWORD=swordfish")...),
		"ok: logged in as club", "NOT OK: the broker does not let club read valley/from: change its access list")
}

// The daemon would not work with such a broker, and no more does check say that all
// is well.
func TestConnectFindsABrokerWithoutConfirmations(t *testing.T) {
	t.Parallel()
	b := brokertest.Mosquitto(t, "allow_anonymous true", "max_qos 0")
	speaks(t, checkConnect(t, exitUnavailable, append(mesh("valley", b.Addr), "POSTHOUSE_LINKS=valley")...), "NOT OK: the broker grants only QoS 0 on valley/from")
}

// selfSigned makes a certificate for a name, signed by itself, and gives its files.
func selfSigned(t *testing.T, name string, until time.Time) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{name}, NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: until, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for file, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

func TestConnectWithTLS(t *testing.T) {
	t.Parallel()
	tomorrow := time.Now().Add(24 * time.Hour)
	cert, key := selfSigned(t, "localhost", tomorrow)
	other, _ := selfSigned(t, "localhost", tomorrow)
	old, oldKey := selfSigned(t, "localhost", time.Now().Add(-time.Hour))
	away, awayKey := selfSigned(t, "broker.example", tomorrow)
	keys, err := demoKeys(t.TempDir(), gatewayCall)
	if err != nil {
		t.Fatal(err)
	}
	far := func(b *brokertest.Broker, scheme, ca string) []string {
		_, port, _ := net.SplitHostPort(b.Addr)
		return []string{
			"POSTHOUSE_LINKS=far", "POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=" + scheme + "://localhost:" + port, "POSTHOUSE_FAR_CA_FILE=" + ca,
			"POSTHOUSE_FAR_SIGNING_KEY_FILE=" + keys[gatewayCall], "POSTHOUSE_FAR_TRUST_FILE=" + keys["trust"],
		}
	}
	good := brokertest.Mosquitto(t, "certfile "+cert, "keyfile "+key)
	plain := brokertest.Mosquitto(t)
	speaks(t, checkConnect(t, 0, far(good, "ssl", cert)...), "far ok: localhost is ", "with TLS", "ok: may read posthouse/1/")
	speaks(t, checkConnect(t, exitUnavailable, far(good, "ssl", other)...), "NOT OK", "signed by nobody whom this machine knows")
	speaks(t, checkConnect(t, exitUnavailable, far(plain, "ssl", cert)...), "NOT OK", "no connection to the broker", "does it want TLS there, or none")
	speaks(t, checkConnect(t, exitUnavailable, far(good, "tcp", "")...), "NOT OK", "does it want TLS there, or none")
	expired := brokertest.Mosquitto(t, "certfile "+old, "keyfile "+oldKey)
	speaks(t, checkConnect(t, exitUnavailable, far(expired, "ssl", old)...), "NOT OK", "is this machine's clock right?")
	named := brokertest.Mosquitto(t, "certfile "+away, "keyfile "+awayKey)
	speaks(t, checkConnect(t, exitUnavailable, far(named, "ssl", away)...), "NOT OK", "its certificate is for broker.example")
	speaks(t, checkConnect(t, exitUnavailable, far(&brokertest.Broker{Addr: oldTLS(t, cert, key)}, "ssl", cert)...), "NOT OK", "knows only TLS before 1.2")
}

// A broker may want a certificate of its clients. One with TLS 1.3 says so only when the
// handshake is over for the client (RFC 8446 section 4.4.2.4).
func TestConnectToABrokerThatWantsACertificate(t *testing.T) {
	t.Parallel()
	tomorrow := time.Now().Add(24 * time.Hour)
	cert, key := selfSigned(t, "localhost", tomorrow)
	stranger, strangerKey := selfSigned(t, "stranger", tomorrow)
	keys, err := demoKeys(t.TempDir(), gatewayCall)
	if err != nil {
		t.Fatal(err)
	}
	for _, version := range []string{"tlsv1.2", "tlsv1.3"} {
		b := brokertest.Mosquitto(t, "certfile "+cert, "keyfile "+key, "cafile "+cert, "require_certificate true", "tls_version "+version)
		_, port, _ := net.SplitHostPort(b.Addr)
		far := []string{
			"POSTHOUSE_LINKS=far", "POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=ssl://localhost:" + port, "POSTHOUSE_FAR_CA_FILE=" + cert,
			"POSTHOUSE_FAR_SIGNING_KEY_FILE=" + keys[gatewayCall], "POSTHOUSE_FAR_TRUST_FILE=" + keys["trust"],
		}
		speaks(t, checkConnect(t, exitUnavailable, far...), "NOT OK: no connection to the broker", "it wants a certificate from us", "_CERT_FILE")
		speaks(t, checkConnect(t, exitUnavailable, append(far, "POSTHOUSE_FAR_CERT_FILE="+stranger, "POSTHOUSE_FAR_KEY_FILE="+strangerKey)...),
			"NOT OK: no connection to the broker", "it does not take our certificate")
		speaks(t, checkConnect(t, 0, append(far, "POSTHOUSE_FAR_CERT_FILE="+cert, "POSTHOUSE_FAR_KEY_FILE="+key)...), "with TLS", "ok: may read posthouse/1/")
	}
}

// oldTLS is a server from before TLS 1.2.
func oldTLS(t *testing.T, cert, key string) (address string) {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for conn, err := l.Accept(); err == nil; conn, err = l.Accept() {
			_, _ = conn.Read(make([]byte, 1)) // a handshake, that fails
			conn.Close()
		}
	}()
	t.Cleanup(func() { l.Close(); <-ended })
	return l.Addr().String()
}

// mailTo is a mail link with a smarthost.
func mailTo(smarthost, protection string, more ...string) []string {
	return append([]string{
		"POSTHOUSE_LINKS=post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST=" + smarthost, "POSTHOUSE_POST_SMARTHOST_TLS=" + protection,
	}, more...)
}

func TestConnectToASmarthost(t *testing.T) {
	t.Parallel()
	plain, err := sink.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	certFile, key := selfSigned(t, "127.0.0.1", time.Now().Add(time.Hour))
	cert, err := tls.LoadX509KeyPair(certFile, key)
	if err != nil {
		t.Fatal(err)
	}
	secure, err := sink.Start(t.Context(), sink.Options{TLS: &tls.Config{Certificates: []tls.Certificate{cert}}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-plain.Stopped(); <-secure.Stopped() })
	speaks(t, checkConnect(t, 0, mailTo(plain.Address(), "none")...), "post ok: smarthost "+plain.Address()+" answers (no TLS, no login)")
	speaks(t, checkConnect(t, exitUnavailable, mailTo(plain.Address(), "starttls")...), "NOT OK: smarthost "+plain.Address(), "STARTTLS")
	speaks(t, checkConnect(t, exitUnavailable, mailTo(secure.Address(), "starttls")...), "NOT OK: smarthost "+secure.Address(), "certificate")
	speaks(t, checkConnect(t, exitUnavailable, mailTo(plain.Address(), "implicit")...), "NOT OK", "it does not speak TLS there")
	if n := len(plain.Mails()) + len(secure.Mails()); n != 0 {
		t.Errorf("%d mails were sent", n)
	}
}

// What never answers takes no longer than the time that it was given, and names
// that are not there are said to be that.
func TestConnectIsBounded(t *testing.T) {
	t.Parallel()
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	var out bytes.Buffer
	begin := time.Now()
	code := run([]string{"check", "--connect", "--within=2s"}, streams{strings.NewReader(""), &out, &out}, slices.Concat(
		[]string{"POSTHOUSE_CALLSIGN=" + gatewayCall, "POSTHOUSE_DATA_DIR=" + t.TempDir()}, mesh("valley", silent.Addr().String()), mailTo(silent.Addr().String(), "none")[1:],
		[]string{
			"POSTHOUSE_LINKS=valley,aprs,post", "POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=" + silent.Addr().String(),
			fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)),
		}))
	if took := time.Since(begin); code != exitUnavailable || took > 10*time.Second {
		t.Errorf("exit code %d after %v", code, took)
	}
	if n := strings.Count(out.String(), "NOT OK"); n != 3 || !strings.Contains(out.String(), "3 of 3 links cannot be reached") {
		t.Errorf("%d links are not OK:\n%s", n, &out)
	}
}

// A gateway that runs with the same settings is not disturbed: neither its
// broker nor its APRS-IS server ends its session for the one that is tried.
func TestConnectDisturbsNoRunningGateway(t *testing.T) {
	t.Parallel()
	b := brokertest.Mosquitto(t)
	aprs, err := standin.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer aprs.Close()
	settings := append(mesh("valley", b.Addr), "POSTHOUSE_LINKS=valley,aprs", "POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER="+aprs.Addr().String(),
		fmt.Sprintf("POSTHOUSE_APRS_PASSCODE=%d", adapters.Passcode(gatewayCall)))
	d := startDaemon(t, settings...)
	d.awaitUp("valley", "aprs")
	speaks(t, checkConnect(t, 0, settings...), "valley ok: may read valley/from", "aprs ok: the passcode is right")
	for _, name := range []string{"valley", "aprs"} {
		if n := d.metric(`posthouse_link_reconnects_total{link="` + name + `"}`); n != 0 {
			t.Errorf("%s was connected %v times anew", name, n)
		}
	}
	d.awaitUp("valley", "aprs")
	d.stop()
	b.Stop()
	if strings.Contains(b.Log(), "already connected") {
		t.Errorf("the broker ended a session:\n%s", b.Log())
	}
}
