// Package keypair reads a certificate and its key from two files, again whenever they
// have changed: some other program renews them every few weeks, and a gateway runs for
// months.
package keypair

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// Files are a certificate, with those that lead up to its root, and its key, both in
// PEM.
type Files struct {
	cert, key string
	log       *slog.Logger

	mu   sync.Mutex
	pair *tls.Certificate
	seen stamp
}

// stamp tells whether files have changed.
type stamp struct {
	cert, key         time.Time
	certSize, keySize int64
}

// Read reads the files for the first time.
func Read(cert, key string, log *slog.Logger) (*Files, error) {
	f := &Files{cert: cert, key: key, log: log}
	f.seen, _ = f.stamp() // before the reading: a change in between is found later
	pair, err := tls.LoadX509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("read a certificate and its key: %w", err)
	}
	f.pair = &pair
	return f, nil
}

// Now gives the certificate for one handshake. While what lies there cannot be used,
// as between the writing of the one file and the other, it is the last that could.
func (f *Files) Now() *tls.Certificate {
	f.mu.Lock()
	defer f.mu.Unlock()
	now, err := f.stamp()
	if err != nil || now == f.seen {
		return f.pair
	}
	f.seen = now
	pair, err := tls.LoadX509KeyPair(f.cert, f.key)
	if err != nil {
		f.log.Warn("the certificate was changed and cannot be used: the old one stays", "file", f.cert, "err", err)
		return f.pair
	}
	f.pair = &pair
	f.log.Info("the certificate was read again", "file", f.cert, "until", pair.Leaf.NotAfter)
	return f.pair
}

func (f *Files) stamp() (stamp, error) {
	cert, err := os.Stat(f.cert)
	if err != nil {
		return stamp{}, err
	}
	key, err := os.Stat(f.key)
	if err != nil {
		return stamp{}, err
	}
	return stamp{cert.ModTime(), key.ModTime(), cert.Size(), key.Size()}, nil
}
