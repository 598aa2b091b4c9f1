package main

import (
	"bytes"
	"encoding/hex"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whatever lies in its place, as after a power failure at the first start, the gateway gets
// a key and keeps it.
func TestBounceKey(t *testing.T) {
	good := bytes.Repeat([]byte{7}, newBounceKey)
	for name, c := range map[string]struct {
		content string // empty: an empty file
		want    []byte // nil: a new one
		kept    bool
	}{
		"a key":                {hex.EncodeToString(good) + "\n", good, false},
		"an empty file":        {"", nil, false},
		"zeros":                {strings.Repeat("\x00", 65), nil, false},
		"half a key":           {hex.EncodeToString(good)[:20], nil, true},
		"something else":       {"a shopping list\n", nil, true},
		"a key in other words": {strings.ToUpper(hex.EncodeToString(bytes.Repeat([]byte{0xab}, leastKey))), bytes.Repeat([]byte{0xab}, leastKey), false},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, bounceKeyFile), []byte(c.content), 0o600); err != nil {
				t.Fatal(err)
			}
			var log bytes.Buffer
			key, err := bounceKey(dir, slog.New(slog.NewTextHandler(&log, nil)))
			if err != nil {
				t.Fatal(err)
			}
			if c.want != nil && !bytes.Equal(key, c.want) || len(key) < leastKey {
				t.Errorf("the key is %x, want %x", key, c.want)
			}
			if c.want == nil && !strings.Contains(log.String(), "bounces of mails sent before will not be recognised") {
				t.Errorf("the log says %q", log.String())
			}
			if aside, _ := filepath.Glob(filepath.Join(dir, bounceKeyFile+".damaged-*")); (len(aside) == 1) != c.kept {
				t.Errorf("%q are set aside", aside)
			}
			if again, err := bounceKey(dir, slog.New(slog.DiscardHandler)); err != nil || !bytes.Equal(again, key) {
				t.Errorf("the next start has %x, %v, want %x", again, err, key)
			}
		})
	}
	t.Run("nothing", func(t *testing.T) {
		dir := t.TempDir()
		key, err := bounceKey(dir, slog.New(slog.DiscardHandler))
		if err != nil || len(key) != newBounceKey {
			t.Fatalf("%x, %v", key, err)
		}
		if files, err := os.ReadDir(dir); err != nil || len(files) != 1 {
			t.Errorf("%v are there, %v", files, err)
		}
	})
}
