package main

import (
	"bytes"
	"encoding/ascii85"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// A tool makes ciphertext of plain text; the result is binary.
type tool struct {
	name string
	make func(dir string, plain []byte) ([]byte, error)
}

func pipe(plain []byte, name string, args ...string) ([]byte, error) {
	cmd := exec.Command(name, args...)
	cmd.Stdin = bytes.NewReader(plain)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %s", name, err, errs.String())
	}
	return out, nil
}

// tools finds GnuPG, OpenSSL and age; age may lie among the corpora.
func tools(corpora string) []tool {
	age, keygen := "age", "age-keygen"
	if p := filepath.Join(corpora, "tools/age/usr/bin/age"); exists(p) {
		age, keygen = p, p+"-keygen"
	}
	recipient := ""
	return []tool{
		{"gpg symmetric", func(dir string, plain []byte) ([]byte, error) {
			return pipe(plain, "gpg", "--homedir", dir, "--batch", "--yes", "--symmetric", "--pinentry-mode", "loopback", "--passphrase", "exercise",
				"--s2k-count", "1024", "--compress-algo", "none")
		}},
		{"openssl salted", func(_ string, plain []byte) ([]byte, error) {
			return pipe(plain, "openssl", "enc", "-aes-256-cbc", "-pbkdf2", "-iter", "1", "-pass", "pass:exercise")
		}},
		{"openssl stream", func(_ string, plain []byte) ([]byte, error) {
			return pipe(plain, "openssl", "enc", "-chacha20", "-K", strings.Repeat("1f", 32), "-iv", fmt.Sprintf("%032x", nonce()))
		}},
		{"age", func(dir string, plain []byte) ([]byte, error) {
			if recipient == "" {
				key := filepath.Join(dir, "age.key")
				out, err := exec.Command(keygen, "-o", key).CombinedOutput()
				if err != nil {
					return nil, fmt.Errorf("%s: %w: %s", keygen, err, out)
				}
				recipient = strings.TrimSpace(string(out[bytes.LastIndex(out, []byte("age1")):]))
			}
			return pipe(plain, age, "-r", recipient)
		}},
	}
}

var nonces int

func nonce() int { nonces++; return nonces }

func exists(path string) bool { _, err := os.Stat(path); return err == nil }

// An encoding writes bytes as text.
type encoding struct {
	name   string
	encode func([]byte) string
}

var z85 = "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ.-:+=^!/*?&<>()[]{}@%$#"
var rfc1924 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%&()*+-;<=>?@^_`{|}~"

var encodings = []encoding{
	{"base64", base64.StdEncoding.EncodeToString},
	{"base64url", base64.RawURLEncoding.EncodeToString},
	{"base32", base32.StdEncoding.EncodeToString},
	{"base32 lower", func(b []byte) string {
		return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(b))
	}},
	{"base32hex", base32.HexEncoding.EncodeToString},
	{"hex", hex.EncodeToString},
	{"hex upper", func(b []byte) string { return strings.ToUpper(hex.EncodeToString(b)) }},
	{"ascii85", func(b []byte) string {
		out := make([]byte, ascii85.MaxEncodedLen(len(b)))
		return string(out[:ascii85.Encode(out, b)])
	}},
	{"z85", func(b []byte) string { return base85(b, z85) }},
	{"base85 rfc1924", func(b []byte) string { return base85(b, rfc1924) }},
	{"uuencode", uuencode},
}

// uuencode writes lines of 45 bytes (POSIX, uuencode), without begin and end.
func uuencode(b []byte) string {
	digit := func(v byte) byte {
		if v &= 63; v == 0 {
			return '`'
		}
		return v&63 + ' '
	}
	var out strings.Builder
	for len(b) > 0 {
		line := b[:min(45, len(b))]
		b = b[len(line):]
		out.WriteByte(digit(byte(len(line))))
		for i := 0; i < len(line); i += 3 {
			var t [3]byte
			copy(t[:], line[i:])
			out.Write([]byte{digit(t[0] >> 2), digit(t[0]<<4 | t[1]>>4), digit(t[1]<<2 | t[2]>>6), digit(t[2])})
		}
		out.WriteByte('\n')
	}
	return strings.TrimSuffix(out.String(), "\n")
}

// base85 writes four bytes as five characters of an alphabet, the last padded.
func base85(b []byte, alphabet string) string {
	var out strings.Builder
	for len(b) > 0 {
		var four [4]byte
		n := copy(four[:], b)
		b = b[n:]
		v := uint32(four[0])<<24 | uint32(four[1])<<16 | uint32(four[2])<<8 | uint32(four[3])
		var five [5]byte
		for i := 4; i >= 0; i-- {
			five[i] = alphabet[v%85]
			v /= 85
		}
		out.Write(five[:n+1])
	}
	return out.String()
}

// A layout puts encoded text into lines or words.
type layout struct {
	name string
	put  func(string) string
}

func every(n int, sep string) func(string) string {
	return func(s string) string {
		var out strings.Builder
		for i := 0; i < len(s); i += n {
			if i > 0 {
				out.WriteString(sep)
			}
			out.WriteString(s[i:min(i+n, len(s))])
		}
		return out.String()
	}
}

const unevenName = "uneven"

// uneven puts three to nine characters in a word.
func uneven(s string) string {
	var out strings.Builder
	for i, n := 0, 0; i < len(s); i += n {
		n = 3 + int(s[i])*31%7
		if i > 0 {
			out.WriteByte(' ')
		}
		out.WriteString(s[i:min(i+n, len(s))])
	}
	return out.String()
}

var layouts = []layout{
	{"whole", func(s string) string { return s }},
	{"in prose", func(s string) string { return "Please read this for me: " + s + " and answer soon, thanks" }},
	{"4 a word", every(4, " ")},
	{"5 a word", every(5, " ")},
	{"8 a word", every(8, " ")},
	{"16 a line", every(16, "\n")},
	{"40 a line", every(40, "\n")},
	{"64 a line", every(64, "\n")},
	{unevenName, uneven},
	{"quoted", func(s string) string { return "> " + every(60, "\n> ")(s) }},
}
