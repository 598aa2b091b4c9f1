package rules

import (
	"encoding/base64"
	"strings"
	"unicode/utf8"
)

// A character of ciphertext is as likely as any other of its alphabet; one of
// ordinary text is as likely as the model says. The sum of the differences along
// a text is the evidence for ciphertext: it falls in words and climbs in
// ciphertext, and never falls below zero, so that words before do not excuse
// what follows (Page's cumulative sum test). Spaces and line ends count for
// nothing, so that splitting hides nothing.

// ciphertext names the encoding in which a text holds ciphertext of 24 bytes or
// more, split by spaces and line ends or not; empty if none.
func ciphertext(text string) string {
	if !suspicious(text) {
		return ""
	}
	s := scan{text: text, prev: wordStart}
	return s.name()
}

// suspicious is a quick look that most texts end with: it gathers at least the
// evidence that the slow one would.
func suspicious(text string) bool {
	var sum, hex, letters int32
	prev, digit := wordStart, wordStart
	last, shrunk := 0, false
	for i := range len(text) {
		ch := text[i]
		switch {
		case ch <= ' ' || ch == 0x7F:
			prev, digit = wordStart, wordStart
			continue
		case ch >= 0x80:
			if i == 0 || text[i-1] <= ' ' {
				n := wordLength(text[i:])
				last, shrunk = n, n < last
			}
			sum, hex, letters, prev = max(0, sum-leastOuter), 0, 0, foreign
			continue
		}
		if i == 0 || text[i-1] <= ' ' { // as in scan.word
			n := wordLength(text[i:])
			if shrunk || n > last {
				letters = 0
			}
			last, shrunk = n, n < last
		}
		this := int(ch - ' ')
		c := cost(prev, this)
		if !isASCIILetter(ch) {
			letters = 0
		} else if letters = max(0, letters+c-leastLetter); letters > leastLetters {
			return true
		}
		if sum = max(0, sum+c-leastCost); sum > leastEnough {
			return true
		}
		switch {
		case alphabet[ch]&(1<<hexOnly) != 0:
			c = max(c, cost(digit, this))
			if hex = max(0, hex+c-encodings[hexOnly].cost); hex > encodings[hexOnly].enough {
				return true
			}
			digit = this
		case ch != ':' && ch != '-':
			hex = 0
		}
		prev = this
	}
	return false
}

// The least of all encodings: of those of letters alone, and of the others but
// hex.
var leastCost, leastEnough, leastOuter, leastLetter, leastLetters = func() (cost, enough, outer, letter, letters int32) {
	_ = alphabet // it sets the costs
	cost, enough, outer, letter, letters = allAway, allAway, allAway, allAway, allAway
	for _, e := range encodings[hexOnly+1:] {
		if strings.Trim(e.has, lowerLetters+upperLetters) == "" {
			letter, letters = min(letter, e.cost), min(letters, e.enough)
			continue
		}
		cost, enough, outer = min(cost, e.cost), min(enough, e.enough), min(outer, e.outer)
	}
	return cost, enough, outer, letter, letters
}()

// scan is the slow look at one text.
type scan struct {
	text string
	runs [len(encodings)]run

	prev         int                 // the character before
	start        int                 // where this word begins
	pieces       [len(encodings)]int // where what it has of each alphabet in a row begins
	last, before int                 // lengths of this word and the one before
	shrunk       bool
	number       bool // the word is a number: no evidence
	hash         int  // length of a hash that has just ended
	radioEnd     int  // where the last call sign or grid square ends
	ordered      int  // characters in the order of the alphabet
	leapt        bool // the last one was not in it
}

// name goes through the text until an encoding convicts.
func (s *scan) name() string {
	for i := 0; i < len(s.text); {
		if s.text[i] > ' ' && (i == 0 || s.text[i-1] <= ' ') {
			s.word(i)
		}
		n := 0
		if startsWord(s.prev) {
			var guilty bool
			if n, guilty = s.token(i); guilty {
				return encodings[hexOnly].name
			}
		}
		if n == 0 {
			n = 1
			if name := s.character(i); name != "" {
				return name
			}
		}
		i += n
	}
	return s.convicted(0)
}

// word begins a word. Ciphertext is cut into words of one length, the last
// maybe shorter; abbreviations, part numbers and code, which look like it, have
// words of many.
func (s *scan) word(i int) {
	word := s.text[i : i+wordLength(s.text[i:])]
	s.start = i
	for e := range s.pieces {
		s.pieces[e] = i
	}
	if s.shrunk || len(word) > s.last {
		for e := range s.runs {
			s.runs[e].away(encodings[e].uneven)
		}
	}
	s.before, s.last = s.last, len(word)
	s.shrunk = s.last < s.before
	s.number = isNumber(word)
	hex := &s.runs[hexOnly]
	if s.hash > len(word) && int(hex.n) <= s.hash && (s.text[i-1] == ' ' || !isRestOfHex(word)) {
		*hex = run{} // a number, a date or a word like "added", behind one hash
	}
	s.hash = 0
}

// isRestOfHex tells whether a word may be the last line of wrapped hex, and is no
// year and no word like "added".
func isRestOfHex(word string) bool {
	return isHex(word) && strings.ContainsAny(word, digits) && (len(word) >= 8 || !isNumber(word))
}

// token takes what people do send though it looks random: it gives its length,
// 0 if there is none at i, and whether it convicts as hex.
func (s *scan) token(i int) (n int, guilty bool) {
	n, hex := s.known(i)
	if n == 0 {
		if n := radioWord(s.text, i); n > 0 {
			s.radioEnd = i + n
		}
		return 0, false
	}
	s.prev = wordStart
	if !hex {
		return n, false
	}
	if n > s.before { // the figures before a hash are none of it
		s.runs[hexOnly] = run{}
	}
	s.hash = n
	return n, s.runs[hexOnly].token(s.text[i:i+n], &encodings[hexOnly])
}

// character weighs one character. An encoding convicts where it ends: at the end
// of a word or at a character that it has not, when all is known of it, or now
// and then in a long one.
func (s *scan) character(i int) string {
	ch := s.text[i]
	if ch <= ' ' || ch == 0x7F {
		s.prev = wordStart
		return s.convicted(0)
	}
	mask, this := uint16(0), foreign
	if ch < 0x80 {
		mask, this = alphabet[ch], int(ch-' ')
	}
	if name := s.convicted(mask); name != "" {
		return name
	}
	cost, again := s.cost(i, this)
	s.prev = this
	for e := range s.runs {
		r, enc := &s.runs[e], &encodings[e]
		if mask&(1<<e) == 0 {
			r.away(enc.outer)
			s.pieces[e] = i + 1
			continue
		}
		evidence := cost - enc.cost
		if enc.size >= 64 && (again || r.repeats(ch)) { // in a smaller alphabet, chance repeats more
			evidence = min(cost, repeatCost) - enc.cost
		}
		switch {
		case s.number && e != hexOnly:
			evidence = min(evidence, 0)
		case i < s.radioEnd && enc.radio:
			evidence /= 4
			r.radio++
		}
		r.add(evidence, ch, s.pieces[e])
		if r.isLong() && s.convicts(e) {
			return enc.name
		}
	}
	return ""
}

// convicted names the first encoding that convicts, of those that mask leaves
// out.
func (s *scan) convicted(mask uint16) string {
	for e := range s.runs {
		if mask&(1<<e) == 0 && s.convicts(e) {
			return encodings[e].name
		}
	}
	return ""
}

func (s *scan) convicts(e int) bool {
	r, enc := &s.runs[e], &encodings[e]
	return r.convicts(enc) && !s.isOneShortPiece(r, e) && !s.isReadable()
}

// isOneShortPiece tells whether all the evidence comes from one word, or what
// other signs leave of it, and that has less than 24 bytes: a serial number, a
// vehicle's, a name in code. What follows it is ordinary or short; else it may be
// the first line of a ciphertext of two.
func (s *scan) isOneShortPiece(r *run, e int) bool {
	least := encodings[e].least
	ended := r.since < least-chance || r.sum < r.peak-2*otherPiece
	return r.first == r.top && ended && s.inAlphabet(r.first, e) < least
}

// inAlphabet counts the characters of an alphabet from i on.
func (s *scan) inAlphabet(i, e int) (n int32) {
	for ; i < len(s.text) && s.text[i] < 0x80 && alphabet[s.text[i]]&(1<<e) != 0; i++ {
		n++
	}
	return n
}

// chance is how many characters of a ciphertext may look like words.
const chance = 4

// isReadable tells whether the word is text in base64: published, and no secret.
func (s *scan) isReadable() bool {
	word := strings.TrimRight(s.text[s.start:s.start+s.last], "=.,;:!?)>\"'")
	if at := strings.LastIndexFunc(word, func(r rune) bool { return r >= 0x80 || alphabet[r]&(1<<base64Only) == 0 }); at >= 0 {
		word = word[at+1:]
	}
	plain, err := base64.RawStdEncoding.DecodeString(strings.NewReplacer("-", "+", "_", "/").Replace(strings.TrimLeft(word, "/")))
	if err != nil || len(plain) < leastReadable || !utf8.Valid(plain) || Hidden(string(plain)) != "" {
		return false
	}
	s.runs = [len(encodings)]run{}
	return true
}

// leastReadable is how many bytes never are text by chance.
const leastReadable = 16

const (
	costCap    = 56      // bounds what one character can say: rare pairs of letters occur
	orderCost  = 2 * nat // of the next letter of the alphabet
	repeatCost = 1 * nat // of a pair that was there a moment ago
	moment     = 64      // bytes
)

// cost of a character in ordinary text.
func cost(prev, this int) int32 { return min(model[prev][this], costCap) }

// cost knows what the model does not. What goes on in the order of the alphabet
// is cheap, and so is a capital beside its small letter: lists of options. And
// it tells whether the character and the one before were there a moment ago.
func (s *scan) cost(i, this int) (c int32, again bool) {
	c = cost(s.prev, this)
	again = c > repeatCost && s.isPairAgain(i)
	switch step := step(s.prev, this); {
	case step == 1 || step == 0 && this != s.prev:
		s.leapt = false
		if s.ordered++; s.ordered > 1 {
			c = min(c, orderCost)
		}
	case s.leapt: // between two pairs the order may leap, once
		s.ordered = 0
	default:
		s.leapt = true
	}
	return c, again
}

// isPairAgain tells whether the character and the one before were there a moment
// ago.
func (s *scan) isPairAgain(i int) bool {
	return i > 0 && s.text[i-1] > ' ' && strings.Contains(s.text[max(0, i-moment):i], s.text[i-1:i+1])
}

// step is how far a letter or figure is in the alphabet behind the one before.
func step(prev, this int) int {
	const none = -128
	if prev == wordStart || prev == foreign || this == foreign {
		return none
	}
	a, b := byte(prev)+' ', byte(this)+' '
	if kindOf[a] >= otherKind || kindOf[b] >= otherKind {
		return none
	}
	return int(b|0x20) - int(a|0x20)
}

// token adds a token of which it judges only what is in the alphabet.
func (r *run) token(s string, e *encoding) bool {
	prev := wordStart
	for i := range len(s) {
		if alphabet[s[i]&0x7F]&(1<<hexOnly) == 0 {
			continue // the letter before a hash, the colons of pairs
		}
		this := int(s[i] - ' ')
		r.add(cost(prev, this)-e.cost, s[i], 0)
		prev = this
		if r.isLong() && r.convicts(e) {
			return true
		}
	}
	return r.convicts(e)
}

// isNumber tells whether a word has only figures and what stands among them.
func isNumber(word string) bool {
	for i := range len(word) {
		if !isFigure(word[i]) && strings.IndexByte(".,:;/-+()", word[i]) < 0 {
			return false
		}
	}
	return true
}

// wordLength counts the bytes up to the next space.
func wordLength(s string) int {
	n := 0
	for n < len(s) && s[n] > ' ' {
		n++
	}
	return n
}

// startsWord tells whether a token may begin behind a character.
func startsWord(prev int) bool {
	return prev == wordStart || prev < foreign && kindOf[prev+' '] >= otherKind
}
