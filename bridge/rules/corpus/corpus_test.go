package main

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"posthouse/bridge/rules"
)

// Sources of the vectors: Z85 is the example of ZeroMQ RFC 32; RFC 1924 section 5
// has only a 128-bit number, so that alphabet is checked by its order.
func TestEncodings(t *testing.T) {
	b, err := hex.DecodeString("864fd26fb559f75b")
	if err != nil {
		t.Fatal(err)
	}
	if got := base85(b, z85); got != "HelloWorld" {
		t.Errorf("Z85: %q", got)
	}
	if got := uuencode([]byte("Cat")); got != "#0V%T" { // the example of the encyclopedias
		t.Errorf("uuencode: %q", got)
	}
	if len(z85) != 85 || len(rfc1924) != 85 {
		t.Error("alphabets of 85")
	}
}

// No layout loses or adds anything but spaces, line ends and quote marks.
func TestLayoutsKeepTheText(t *testing.T) {
	text := encodings[0].encode([]byte(strings.Repeat("attack at dawn ", 9)))
	for _, l := range layouts {
		got := strings.NewReplacer(" ", "", "\n", "", ">", "").Replace(l.put(text))
		if !strings.Contains(got, text) {
			t.Errorf("%s: %q", l.name, got)
		}
	}
}

// A small archive is read, and its messages judged: one file of each kind.
func TestReadCorpora(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "root")
	for path, text := range map[string]string{
		"fortunes-xx/usr/share/games/fortunes/xx/wit": "One.\n%\nTwo, with more words.\n%\n",
		"wxx/usr/share/dict/xx":                       strings.Repeat("word\n", 24),
		"doc/usr/share/doc/doc/guide.html":            "<p>A &amp; B</p><script>var x</script>",
		"translations/Translation-xx":                 "Package: a\nDescription-xx: Short\n Long text.\n .\n More.\n\n",
		"man-xx/usr/share/man/xx/man1/a.1":            "not packed, so not read",
	} {
		path = filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	list, err := readCorpora(dir)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, co := range list {
		got[co.name] = strings.Join(co.text, "|")
	}
	for name, want := range map[string]string{"fortunes-xx": "One.|Two, with more words.|", "html-doc": "A & B", "packages-xx": "Short\nLong text.\n|More.\n"} {
		if got[name] != want {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
	if !strings.HasPrefix(got["words-wxx"], "word word") || len(list) != 4 {
		t.Errorf("got %q", got)
	}
}

// The roff reader leaves neither requests, macros nor encoded keys.
func TestRoff(t *testing.T) {
	page := ".TH A 1\nRun \\fBa\\fR \\-x.\n.de XX\n\\h'1'\n..\nThen\n-----BEGIN PGP PUBLIC KEY BLOCK-----\nmDMEYCQj\n-----END PGP PUBLIC KEY BLOCK-----\nstop.\n"
	if got := strings.Join(roff(page), ""); got != "Run a -x.\nThen\nstop.\n\n" {
		t.Errorf("%q", got)
	}
}

// What the command counts is what the rules say.
func TestJudgeCounts(t *testing.T) {
	bad := judge([]string{"hello, all fine here", encodings[0].encode([]byte("\x93\x1f\xa8\x07\xe1\x5c\xb6\x42\xd0\x88\x2b\xf7\x65\x0e\xc9\x7a\x34\xbd\x91\x1c\x5f\xe8\x06\xa3\x7d\x40\xcb\x12\x99\xf6\x58\x2d"))},
		func(s string) bool { return rules.LooksEncrypted(s) != "" })
	if len(bad) != 1 {
		t.Errorf("got %q", bad)
	}
}
