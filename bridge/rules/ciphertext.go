package rules

import "strings"

// An encoding of bytes as text. A character of ciphertext is as likely as any
// other of its alphabet; one of ordinary text is as likely as the model says.
// The sum of the differences along a text is the evidence for ciphertext: it
// falls in words and climbs in ciphertext, and never falls below zero, so that
// words before do not excuse what follows (Page's cumulative sum test).
type encoding struct {
	name   string
	has    string // what is in the alphabet
	cost   int16  // of a random character: ln of the alphabet's size, in eighths of a nat
	floor  int16  // characters that 24 bytes take, less a few
	enough int32  // evidence that convicts
	outer  int32  // what a character outside the alphabet takes away
}

const (
	lowerLetters = "abcdefghijklmnopqrstuvwxyz"
	upperLetters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	digits       = "0123456789"

	allAway = 1 << 20
)

// The thresholds are the measured middle between real text and real
// ciphertext; README.md has the table.
var encodings = [...]encoding{
	{"hex", digits + "abcdefABCDEF", 22, 47, 40 * nat, allAway},
	{"base32", digits + upperLetters, 28, 36, 40 * nat, 10 * nat},
	{"base32", digits + lowerLetters, 28, 36, 40 * nat, 10 * nat},
	{"base64", digits + upperLetters + lowerLetters + "+/-_", 33, 30, 45 * nat, 10 * nat},
	{"base85", printable(), 35, 28, 50 * nat, 10 * nat},
}

// hexOnly is the index of hex in encodings.
const hexOnly = 0

// lead is how many characters of a run may look like words by chance and are
// counted nevertheless. 40 digits of a commit and lead stay below hex's floor.
const lead = 6

// alphabet has a bit for each encoding that a character belongs to.
var alphabet = func() (masks [128]uint8) {
	for e := range encodings {
		for i := 0; i < len(encodings[e].has); i++ {
			masks[encodings[e].has[i]] |= 1 << e
		}
	}
	return masks
}()

func printable() string {
	var b strings.Builder
	for ch := byte('!'); ch <= '~'; ch++ {
		b.WriteByte(ch)
	}
	return b.String()
}

// run is the evidence for one encoding so far.
type run struct {
	sum int32
	n   int16
}

// ciphertext names the encoding in which a text holds ciphertext of 24 bytes or
// more, split by spaces and line ends or not; empty if none.
func ciphertext(text string) string {
	var runs [len(encodings)]run
	prev := wordStart
	for i := 0; i < len(text); {
		if prev == wordStart || prev < foreign && !isWordByte(byte(prev)+' ') {
			if n := skipURL(text[i:]); n > 0 {
				i += n
				prev = wordStart
				continue
			}
			if n := hash(text, i); n > 0 {
				runs[hexOnly].hexToken(text[i : i+n])
				if runs[hexOnly].convicts(&encodings[hexOnly]) {
					return encodings[hexOnly].name
				}
				i += n
				prev = int(text[i-1] - ' ')
				continue
			}
		}
		ch := text[i]
		i++
		switch {
		case ch <= ' ' || ch == 0x7F:
			prev = wordStart
			continue
		case ch >= 0x80:
			for e := range runs {
				runs[e].away(encodings[e].outer)
			}
			prev = foreign
			continue
		}
		text := model[prev][ch-' ']
		mask := alphabet[ch]
		for e := range runs {
			r := &runs[e]
			if mask&(1<<e) == 0 {
				r.away(encodings[e].outer)
				continue
			}
			r.add(int32(text - encodings[e].cost))
			if r.convicts(&encodings[e]) {
				return encodings[e].name
			}
		}
		prev = int(ch - ' ')
	}
	return ""
}

func (r *run) add(evidence int32) {
	r.sum += evidence
	if r.n < 1<<14 {
		r.n++
	}
	r.floor()
}

func (r *run) away(evidence int32) {
	r.sum -= evidence
	r.floor()
}

// floor keeps the evidence from falling below none.
func (r *run) floor() {
	if r.sum <= 0 {
		r.sum = 0
		r.n = min(r.n, lead)
	}
}

func (r *run) convicts(e *encoding) bool { return r.sum > e.enough && r.n >= e.floor }

// hexToken adds a token that is all hex digits.
func (r *run) hexToken(token string) {
	prev := wordStart
	for i := 0; i < len(token); i++ {
		ch := int(token[i] - ' ')
		r.add(int32(model[prev][ch] - encodings[hexOnly].cost))
		prev = ch
	}
}

// hash gives the length of a token that begins at i and may be a hash: seven or
// more hex digits, figures and letters. Only the hex encoding judges it.
func hash(text string, i int) int {
	n, letters, figures := 0, 0, 0
	for i+n < len(text) && isWordByte(text[i+n]) {
		switch ch := text[i+n]; {
		case ch >= '0' && ch <= '9':
			figures++
		case ch >= 'a' && ch <= 'f', ch >= 'A' && ch <= 'F':
			letters++
		default:
			return 0
		}
		n++
	}
	if n < 7 || letters == 0 || figures == 0 {
		return 0
	}
	return n
}

// maxURL is how long a web address may be to pass unread.
const maxURL = 400

// skipURL gives the length of a web address at the start of s, 0 if there is
// none: people do send links, with keys and ids in them.
func skipURL(s string) int {
	if !strings.HasPrefix(s, "http") && !strings.HasPrefix(s, "www.") {
		return 0
	}
	rest, ok := strings.CutPrefix(s, "https://")
	if !ok {
		if rest, ok = strings.CutPrefix(s, "http://"); !ok {
			rest = s
		}
	}
	host := strings.IndexFunc(rest, func(r rune) bool { return r == '/' || r <= ' ' || r == '?' || r == '#' || r == ':' })
	if host < 0 {
		host = len(rest)
	}
	if !strings.Contains(rest[:host], ".") || host > 80 {
		return 0
	}
	n := strings.IndexAny(s, " \n")
	if n < 0 {
		n = len(s)
	}
	if n > maxURL {
		return 0
	}
	return n
}
