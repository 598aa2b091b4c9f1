package keypair

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"log/slog"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// renew writes a certificate with a number and its key, at a moment.
func renew(t *testing.T, cert, key string, number int64, at time.Time) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(number), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, template, template, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	write(t, cert, "CERTIFICATE", der, at)
	write(t, key, "PRIVATE KEY", pkcs8, at)
}

func write(t *testing.T, path, kind string, b []byte, at time.Time) {
	t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, at, at); err != nil {
		t.Fatal(err)
	}
}

func TestARenewedCertificateIsReadAgain(t *testing.T) {
	dir, then := t.TempDir(), time.Now().Add(-time.Hour)
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	if _, err := Read(cert, key, slog.New(slog.DiscardHandler)); err == nil {
		t.Error("files that are not there are read")
	}
	renew(t, cert, key, 1, then)
	f, err := Read(cert, key, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	is := func(when string, number int64) {
		t.Helper()
		if got := f.Now().Leaf.SerialNumber.Int64(); got != number {
			t.Errorf("%s: it is number %d, want %d", when, got, number)
		}
	}
	is("at first", 1)
	renew(t, cert, key, 2, then.Add(time.Minute))
	is("renewed", 2)
	write(t, key, "PRIVATE KEY", []byte("half"), then.Add(2*time.Minute))
	is("between two files", 2)
	renew(t, cert, key, 3, then.Add(3*time.Minute))
	is("with both", 3)
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	is("without its key", 3)
}
