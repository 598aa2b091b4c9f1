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

	radio bool // call signs and grid squares look like it
	// even: only what is split evenly counts together, so a word longer than the
	// one before begins a new run. Abbreviations and figures in capitals have the
	// look of base32, code that of base85, but not the even words.
	even  bool
	least mix // a sample with less of a kind is none of this encoding
}

const (
	lowerLetters = "abcdefghijklmnopqrstuvwxyz"
	upperLetters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	digits       = "0123456789"

	allAway = 1 << 20 // outer: such a character ends the run
)

// The thresholds are the measured middle between real text and real
// ciphertext; README.md has the table.
var encodings = [...]encoding{
	{"hex", digits + "abcdefABCDEF", 22, 47, 30 * nat, allAway, false, false, mix{letters: 8, figures: 30}},
	{"base32", digits + upperLetters, 28, 33, 19 * nat, 10 * nat, true, true, mix{letters: 38}},
	{"base32", digits + lowerLetters, 28, 33, 19 * nat, 10 * nat, false, true, mix{letters: 38}},
	{"base64", digits + upperLetters + lowerLetters + "+/-_", 33, 28, 24 * nat, 10 * nat, false, false, mix{lower: 10, upper: 10}},
	{"base85", printable(), 35, 26, 21 * nat, 10 * nat, false, true, mix{lower: 4, upper: 7, letters: 28, others: 7}},
}

// mix is the least percentage of each kind of character. Each lies four
// standard deviations or more below what 24 bytes of ciphertext have.
type mix struct{ lower, upper, letters, figures, others int16 }

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
	sum   int32
	n     int16
	kinds [4]int16 // of the characters: lower, upper, figure, other
}

// seen remembers which triples of characters a text has had: what repeats is no
// ciphertext, be it a table, a drawing or "ha ha ha".
type seen [512]uint64

// repeated tells whether the triple was there before, and remembers it.
func (s *seen) repeated(a, b, c int) bool {
	h := (uint32(a)*modelSize+uint32(b))*modelSize + uint32(c)
	h = h * 2654435761 >> 17 // Knuth's multiplicative hash, to 15 bits
	bit := uint64(1) << (h & 63)
	was := s[h>>6]&bit != 0
	s[h>>6] |= bit
	return was
}

// ciphertext names the encoding in which a text holds ciphertext of 24 bytes or
// more, split by spaces and line ends or not; empty if none.
func ciphertext(text string) string {
	var runs [len(encodings)]run
	var memory seen
	before, prev := wordStart, wordStart
	radioEnd := 0 // of the last call sign or grid square
	last := 0     // length of the last word
	for i := 0; i < len(text); {
		if text[i] > ' ' && (i == 0 || text[i-1] <= ' ') {
			length := wordLength(text[i:])
			if length > last {
				for e := range runs {
					if encodings[e].even {
						runs[e] = run{}
					}
				}
			}
			last = length
		}
		if startsWord(prev) {
			n, only := known(text, i, prev)
			if only >= 0 {
				if runs[only].token(text[i:i+n], &encodings[only]) {
					return encodings[only].name
				}
			}
			if n > 0 {
				i += n
				before, prev = wordStart, wordStart
				continue
			}
			if n := radioWord(text, i); n > 0 {
				radioEnd = i + n
			}
		}
		ch := text[i]
		i++
		switch {
		case ch <= ' ' || ch == 0x7F:
			if runs[hexOnly].convicts(&encodings[hexOnly]) {
				return encodings[hexOnly].name
			}
			before, prev = prev, wordStart
			continue
		case ch >= 0x80:
			for e := range runs {
				runs[e].away(encodings[e].outer)
			}
			before, prev = prev, foreign
			continue
		}
		this := int(ch - ' ')
		plain := model[prev][this]
		if memory.repeated(before, prev, this) {
			plain = min(plain, repeatCost)
		}
		mask, kind := alphabet[ch], kindOf[ch]
		for e := range runs {
			r := &runs[e]
			if mask&(1<<e) == 0 {
				r.away(encodings[e].outer)
				continue
			}
			evidence := plain - encodings[e].cost
			if i <= radioEnd && encodings[e].radio {
				evidence /= 4
			}
			r.add(evidence, kind)
			// Hex waits for the end of the word: the date behind a commit is hex up
			// to its first hyphen.
			if r.sum > encodings[e].enough && e != hexOnly && r.convicts(&encodings[e]) {
				return encodings[e].name
			}
		}
		before, prev = prev, this
	}
	if runs[hexOnly].convicts(&encodings[hexOnly]) {
		return encodings[hexOnly].name
	}
	return ""
}

// wordLength counts the bytes up to the next space.
func wordLength(s string) int {
	n := 0
	for n < len(s) && s[n] > ' ' {
		n++
	}
	return n
}

// repeatCost is the cost of a character that follows the same two as before.
const repeatCost = 1 * nat

// maxRun bounds the count of a run, so that it can be multiplied by a percentage.
const maxRun = 320

func (r *run) add(evidence int16, kind uint8) {
	r.sum += int32(evidence)
	if r.n < maxRun {
		r.n++
		r.kinds[kind]++
	}
	r.ground()
}

func (r *run) away(evidence int32) {
	if evidence == allAway {
		*r = run{}
		return
	}
	r.sum -= evidence
	r.ground()
}

// ground keeps the evidence from falling below none.
func (r *run) ground() {
	if r.sum <= 0 {
		r.sum = 0
		r.n = min(r.n, lead)
		r.kinds = [4]int16{}
	}
}

// convicts tells whether the evidence is enough, long enough, and as mixed as
// the encoding is.
func (r *run) convicts(e *encoding) bool {
	if r.sum <= e.enough || r.n < e.floor {
		return false
	}
	k, n := &r.kinds, r.n
	return k[lowerKind] >= n*e.least.lower/100 && k[upperKind] >= n*e.least.upper/100 && k[lowerKind]+k[upperKind] >= n*e.least.letters/100 &&
		k[figureKind] >= n*e.least.figures/100 && k[otherKind] >= n*e.least.others/100
}

// The kinds of characters.
const (
	lowerKind = iota
	upperKind
	figureKind
	otherKind
)

var kindOf = func() (kinds [128]uint8) {
	for ch := range kinds {
		switch {
		case ch >= 'a' && ch <= 'z':
			kinds[ch] = lowerKind
		case ch >= 'A' && ch <= 'Z':
			kinds[ch] = upperKind
		case ch >= '0' && ch <= '9':
			kinds[ch] = figureKind
		default:
			kinds[ch] = otherKind
		}
	}
	return kinds
}()

// startsWord tells whether a token may begin behind a character.
func startsWord(prev int) bool {
	return prev == wordStart || prev < foreign && kindOf[prev+' '] == otherKind
}

// known gives the length of a token at i that people do send, though it looks
// random: a web address, a mail address or message id, a hash. A hash is still
// judged as one encoding, else only is -1.
func known(text string, i, prev int) (n, only int) {
	if n := skipURL(text[i:]); n > 0 {
		return n, -1
	}
	if prev == wordStart || strings.IndexByte("<(:", byte(prev)+' ') >= 0 {
		if n := skipMail(text[i:]); n > 0 {
			return n, -1
		}
	}
	return hash(text, i), hexOnly
}

// token adds a token of which it judges only what is in the alphabet.
func (r *run) token(s string, e *encoding) bool {
	prev := wordStart
	for i := 0; i < len(s); i++ {
		if strings.IndexByte(e.has, s[i]) < 0 {
			continue // the letter before a hash
		}
		ch := int(s[i] - ' ')
		r.add(model[prev][ch]-e.cost, kindOf[s[i]])
		prev = ch
		if r.convicts(e) {
			return true
		}
	}
	return false
}

// hash gives the length of a token that begins at i and may be a hash: 16 or more
// hex digits, figures and letters, behind one other letter or none (as
// version control systems write them).
func hash(text string, i int) int {
	n, letters, figures := 0, 0, 0
	for ; i+n < len(text) && isWordByte(text[i+n]); n++ {
		switch ch := text[i+n]; {
		case ch >= '0' && ch <= '9':
			figures++
		case ch >= 'a' && ch <= 'f', ch >= 'A' && ch <= 'F':
			letters++
		case n > 0 || ch >= 0x80:
			return 0
		}
	}
	if letters+figures < 16 || letters == 0 || figures == 0 {
		return 0
	}
	return n
}

// skipMail gives the length of a mail address or message id at the start of s,
// 0 if there is none. The part before the @ has 64 characters at most (RFC 5321).
func skipMail(s string) int {
	at := 0
	for at < len(s) && at <= 64 && (isWordByte(s[at]) || strings.IndexByte(".-_+=", s[at]) >= 0) {
		at++
	}
	if at == 0 || at == len(s) || s[at] != '@' {
		return 0
	}
	n, dot := at+1, 0
	for ; n < len(s) && n < at+100 && (isWordByte(s[n]) || s[n] == '-' || s[n] == '.'); n++ {
		if s[n] == '.' {
			dot = n
		}
	}
	if dot <= at+1 {
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
