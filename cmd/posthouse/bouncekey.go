package main

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"
)

const (
	bounceKeyFile = "bounce.key"
	newBounceKey  = 32 // bytes
	leastKey      = 16
)

// bounceKey reads the key that signs bounce addresses, and makes it at the first start. What
// lies in its place and is no key is set aside: it is worth the bounces of some mails, not
// the gateway.
func bounceKey(dir string, log *slog.Logger) ([]byte, error) {
	path := filepath.Join(dir, bounceKeyFile)
	b, err := os.ReadFile(path)
	if err == nil {
		if key, err := hex.DecodeString(strings.TrimSpace(string(b))); err == nil && len(key) >= leastKey {
			return key, nil
		}
		err = setKeyAside(path, b, log)
	}
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		b, err = makeBounceKey(path)
	}
	if err != nil {
		return nil, fmt.Errorf("the key of bounce addresses: %w", err)
	}
	return b, nil
}

// setKeyAside moves away what is no key. Of an empty file, or one of zeros, which a power
// failure leaves, there is nothing to keep.
func setKeyAside(path string, b []byte, log *slog.Logger) error {
	if len(bytes.Trim(b, "\x00")) == 0 {
		log.Warn("the key of bounce addresses was lost: a new one is made, and bounces of mails sent before will not be recognised")
		return os.Remove(path)
	}
	aside := path + time.Now().UTC().Format(".damaged-20060102T150405Z")
	if err := os.Rename(path, aside); err != nil {
		return err
	}
	log.Error(fmt.Sprintf("%s is not a key of at least %d hexadecimal digits: a new one is made, and bounces of mails sent before will not be recognised", path, 2*leastKey), "kept", aside)
	return nil
}

// makeBounceKey puts a new key in place, whole and synced: a power failure leaves it or
// nothing.
func makeBounceKey(path string) ([]byte, error) {
	key := make([]byte, newBounceKey)
	rand.Read(key) // never fails (crypto/rand)
	part := path + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err := writeSecret(part, []byte(hex.EncodeToString(key)+"\n")); err != nil {
		return nil, err
	}
	if err := os.Rename(part, path); err != nil {
		return nil, err
	}
	return key, syncFolder(filepath.Dir(path))
}
