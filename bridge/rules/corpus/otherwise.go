package main

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/ascii85"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"golang.org/x/text/encoding/charmap"

	"posthouse/bridge/rules"
)

// A maker gives the whole text that a tool or a token format makes of plain text.
type maker struct {
	name string
	text func(dir string, plain []byte) (string, error)
}

// makers are tools and formats that the rules were not made with. Signatures are
// no ciphertext, and look the same.
var makers = []maker{
	{"openssl -a", func(_ string, plain []byte) (string, error) {
		b, err := pipe(plain, "openssl", "enc", "-aes-256-cbc", "-pbkdf2", "-iter", "1", "-pass", "pass:exercise", "-a")
		return string(b), err
	}},
	{"openssl -a -nosalt", func(_ string, plain []byte) (string, error) {
		b, err := pipe(plain, "openssl", "enc", "-aes-256-ctr", "-K", fmt.Sprintf("%064x", nonce()), "-iv", strings.Repeat("0", 32), "-nosalt", "-a")
		return string(b), err
	}},
	{"JWE compact, direct", func(_ string, plain []byte) (string, error) {
		sealed, iv := gcm(plain)
		n := len(sealed) - 16
		return strings.Join([]string{raw([]byte(`{"alg":"dir","enc":"A256GCM"}`)), "", raw(iv), raw(sealed[:n]), raw(sealed[n:])}, "."), nil
	}},
	{"JWE as JSON", func(_ string, plain []byte) (string, error) {
		sealed, iv := gcm(plain)
		n := len(sealed) - 16
		b, err := json.Marshal(map[string]string{"protected": raw([]byte(`{"alg":"dir","enc":"A256GCM"}`)), "iv": raw(iv), "ciphertext": raw(sealed[:n]), "tag": raw(sealed[n:])})
		return string(b), err
	}},
	{"PASETO v4.local", func(_ string, plain []byte) (string, error) {
		sealed, iv := gcm(plain) // laid out as one: nonce, ciphertext, tag
		return "v4.local." + raw(append(append(iv, stream(20)...), append(sealed, stream(16)...)...)), nil
	}},
	{"Fernet", func(_ string, plain []byte) (string, error) { // its specification: version, time, IV, AES-CBC, HMAC
		b := binary.BigEndian.AppendUint64([]byte{0x80}, 1_795_000_000+uint64(nonce()))
		iv := stream(16)
		pad := 16 - len(plain)%16
		padded := append(append([]byte{}, plain...), []byte(strings.Repeat(string(rune(pad)), pad))...)
		block, err := aes.NewCipher(stream(16))
		if err != nil {
			return "", err
		}
		cipher.NewCBCEncrypter(block, iv).CryptBlocks(padded, padded)
		b = append(append(b, iv...), padded...)
		mac := hmac.New(sha256.New, stream(16))
		mac.Write(b)
		return base64.URLEncoding.EncodeToString(mac.Sum(b)), nil
	}},
	{"ssh-keygen -Y sign", func(dir string, plain []byte) (string, error) {
		key := filepath.Join(dir, "ssh")
		if !exists(key) {
			if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key).CombinedOutput(); err != nil {
				return "", fmt.Errorf("ssh-keygen: %w: %s", err, out)
			}
		}
		b, err := pipe(plain, "ssh-keygen", "-q", "-Y", "sign", "-n", "file", "-f", key)
		return string(b), err
	}},
	{"minisign", func(dir string, plain []byte) (string, error) {
		return signature(dir, plain, "minisign", []string{"-G", "-W", "-f", "-p", "mini.pub", "-s", "mini.key"}, []string{"-S", "-s", "mini.key", "-m", "m", "-x", "m.sig"})
	}},
	{"signify", func(dir string, plain []byte) (string, error) {
		return signature(dir, plain, "signify-openbsd", []string{"-G", "-n", "-p", "sig.pub", "-s", "sig.sec"}, []string{"-S", "-s", "sig.sec", "-m", "m", "-x", "m.sig"})
	}},
}

// signature makes a key once and signs a file.
func signature(dir string, plain []byte, tool string, generate, sign []string) (string, error) {
	run := func(args []string) error {
		cmd := exec.Command(tool, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", tool, err, out)
		}
		return nil
	}
	if key := filepath.Join(dir, generate[len(generate)-1]); !exists(key) {
		if err := run(generate); err != nil {
			return "", err
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "m"), plain, 0o600); err != nil {
		return "", err
	}
	if err := run(sign); err != nil {
		return "", err
	}
	b, err := os.ReadFile(filepath.Join(dir, "m.sig"))
	return string(b), err
}

func raw(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// stream gives bytes that are the same in each measurement.
func stream(n int) []byte {
	sum := sha256.Sum256(fmt.Append(nil, "stream", nonce()))
	return sum[:n]
}

func gcm(plain []byte) (sealed, iv []byte) {
	block, err := aes.NewCipher(stream(32))
	if err != nil {
		panic(err) // the key's length is right
	}
	g, err := cipher.NewGCM(block)
	if err != nil {
		panic(err)
	}
	iv = stream(12)
	return g.Seal(nil, iv, plain, nil), iv
}

// madeOtherwise prints how many of the makers' texts were found.
func madeOtherwise(dir string, plain []byte, samples, show int) {
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, "made otherwise\tsamples each\t")
	sizes := []int{8, 24, 140, 500}
	for _, n := range sizes {
		fmt.Fprintf(w, "of %d B: missed\t", n)
	}
	fmt.Fprintln(w)
	for _, m := range makers {
		fmt.Fprintf(w, "%s\t%d\t", m.name, samples)
		for _, n := range sizes {
			missed := 0
			for i := range samples {
				text, err := m.text(dir, plain[i*n:i*n+n])
				if err != nil {
					fmt.Fprintf(w, "(%v)", err)
					break
				}
				if s := rules.Normalise(text); rules.LooksEncrypted(s) == "" {
					if missed++; missed <= show {
						fmt.Fprintf(os.Stderr, "missed %s of %d B: %q\n", m.name, n, s)
					}
				}
			}
			fmt.Fprintf(w, "%d\t", missed)
		}
		fmt.Fprintln(w)
	}
	w.Flush()
	fmt.Println()
}

// framed are encodings with what their programs write around them, and such that
// hide better than the others.
var framed = []encoding{
	{"ascii85 <~ ~>", func(b []byte) string {
		out := make([]byte, ascii85.MaxEncodedLen(len(b)))
		return "<~" + string(out[:ascii85.Encode(out, b)]) + "~>"
	}},
	{"uuencode file", func(b []byte) string { return "begin 644 note.bin\n" + uuencode(b) + "\n`\nend" }},
	{"yEnc file", func(b []byte) string {
		return fmt.Sprintf("=ybegin line=128 size=%d name=note.bin\n%s\n=yend size=%d", len(b), yEnc(b, charmap.ISO8859_1), len(b))
	}},
	{"decimal list", func(b []byte) string {
		return "[" + strings.TrimSuffix(eachByte(b, func(v byte) string { return fmt.Sprintf("%d, ", v) }), ", ") + "]"
	}},
	{"base64 in capitals", func(b []byte) string { return strings.ToUpper(base64.StdEncoding.EncodeToString(b)) }}, // cannot be read back: what a radio without small letters makes of it
	{"base64 backwards", func(b []byte) string { return reversed(base64.StdEncoding.EncodeToString(b)) }},
	{"256 words", func(b []byte) string { return eachByte(b, wordFor) }},
	{"256 emoji", func(b []byte) string {
		return eachByte(b, func(v byte) string { return string(rune(0x1F400 + int(v))) })
	}},
	{"256 Chinese characters", func(b []byte) string {
		return eachByte(b, func(v byte) string { return string(rune(0x4E00 + 7*int(v))) })
	}},
}

// wordFor is a word for each byte, as lists of words for keys have.
func wordFor(v byte) string {
	const first, second = "ba de fi go lu ma ne pi ro su ta ve wi zo ka li", "ker lan mon nis por ral sen tim ver wol den fal gar hem jot ket"
	return strings.Fields(first)[v>>4] + strings.Fields(second)[v&15] + " "
}

func reversed(s string) string {
	b := []byte(s)
	for i, j := 0, len(b)-1; i < j; i, j = i+1, j-1 {
		b[i], b[j] = b[j], b[i]
	}
	return string(b)
}

// spread are layouts with words between the pieces.
var spread = []layout{
	{"8, then a word", every(8, " and ")},
	{"8, then three words", every(8, " then we go ")},
	{"16, then three words", every(16, " then we go ")},
	{"20 a line of prose", func(s string) string { return "we copy " + every(20, " from the camp\nwe copy ")(s) }},
	{"groups of five", every(5, " ")},
	{"numbered lines of 20", func(s string) string {
		var out strings.Builder
		for i := 0; i < len(s); i += 20 {
			fmt.Fprintf(&out, "%d: %s\n", i/20+1, s[i:min(i+20, len(s))])
		}
		return out.String()
	}},
}
