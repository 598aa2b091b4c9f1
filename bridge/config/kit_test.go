package config

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"flag"
	"maps"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files")

// golden compares with a file in testdata, or writes it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from what is printed; look at the difference, then run go test -update\n%s", path, got)
	}
}

// settings is an environment that tests change one line of.
type settings map[string]string

func (s settings) environ() []string {
	var environ []string
	for _, name := range slices.Sorted(maps.Keys(s)) {
		environ = append(environ, name+"="+s[name])
	}
	return environ
}

// with gives a copy with lines NAME=VALUE set, and those that are only NAME
// removed. The prefix POSTHOUSE_ is left out.
func (s settings) with(lines ...string) settings {
	c := maps.Clone(s)
	for _, line := range lines {
		name, value, set := strings.Cut(line, "=")
		if set {
			c[Prefix+name] = value
		} else {
			delete(c, Prefix+name)
		}
	}
	return c
}

// good is a gateway with a link of each kind and nothing to complain of.
func good(t *testing.T) settings {
	return settings{}.with(
		"CALLSIGN=N0QRZ-10", "LINKS=valley,far,aprs,post",
		"VALLEY_KIND=mesh", "VALLEY_BROKER_URL=tcp://127.0.0.1:1883", "VALLEY_MESH=valley", "VALLEY_OPEN_CHANNEL=yes",
		"FAR_KIND=trunk", "FAR_BROKER_URL=ssl://broker.county.example:8883",
		"FAR_SIGNING_KEY_FILE="+file(t, 0o600, "key"), "FAR_TRUST_FILE="+file(t, 0o644, "trust"),
		"APRS_KIND=aprs", "APRS_SERVER=aprs.example:14580", "APRS_PASSCODE=12345",
		"POST_KIND=mail", "POST_DOMAIN=radio.county.example", "POST_LISTEN=127.0.0.1:2525", "POST_RELAYS=",
		"POST_SMARTHOST=mail.county.example:587",
	)
}

// hooks refuse what tests mark with BAD.
var hooks = Hooks{
	CheckTemplate: func(template string) error {
		if strings.Contains(template, "BAD") {
			return errors.New("it leaves out the call sign")
		}
		return nil
	},
	CheckPasscode: func(call, passcode string) error {
		if passcode == "666" {
			return errors.New("wrong for " + call)
		}
		return nil
	},
	CheckSigningKey: refuseBad,
	CheckTrust:      refuseBad,
	CheckStore: func(store string) error {
		if strings.Contains(store, "bad") {
			return errors.New("no such cluster")
		}
		return nil
	},
}

func refuseBad(file []byte) error {
	if strings.Contains(string(file), "BAD") {
		return errors.New("line 1: it is no key\nline 3: nor is this")
	}
	return nil
}

// file writes a file that is gone after the test.
func file(t *testing.T, mode os.FileMode, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, mode); err != nil { // WriteFile's is cut by the umask
		t.Fatal(err)
	}
	return path
}

// openFolder makes a folder in which everybody may write.
func openFolder(t *testing.T) string {
	t.Helper()
	path := t.TempDir()
	if err := os.Chmod(path, 0o777); err != nil {
		t.Fatal(err)
	}
	return path
}

// pair makes a certificate and its key.
func pair(t *testing.T) (cert, key string) { return pairUntil(t, time.Now().Add(time.Hour)) }

func pairUntil(t *testing.T, end time.Time) (cert, key string) {
	t.Helper()
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: end}
	der, err := x509.CreateCertificate(rand.Reader, template, template, public, private)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	block := func(kind string, b []byte) string {
		return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}))
	}
	return file(t, 0o644, block("CERTIFICATE", der)), file(t, 0o600, block("PRIVATE KEY", pkcs8))
}

// bcryptHash has the shape of a hash at cost 10; no word is known that it is of.
const bcryptHash = "$2b$10$WzLHSLZ0K5I6gZ0k8x6W1eXnTvDkzl3H6kP0zJXyqzYl3QdEw8p3S"
