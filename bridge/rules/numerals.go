package rules

import (
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Bytes are also written as numbers: each in hex behind a mark (%4E, =4E, \x4E),
// or one after the other in hex with 0x, in decimal, octal or binary. They are
// decoded, and what comes out has to be text.

const (
	leastNumbers  = 24 // bytes
	mostNumbers   = 64 // that decide
	leastEscaped  = 8  // of them behind a mark, where others stand as they are
	leastUnmarked = 20 // bytes, without what stands as it is at the ends
	literals      = 8  // that may stand as they are between two marked ones
)

// numerals tells whether a text holds bytes in numbers that are no text.
func numerals(text string) bool { return escaped(text) || counted(text) }

// escaped judges what is written behind marks: percent-encoding (RFC 3986),
// quoted-printable (RFC 2045), escapes of programming languages.
func escaped(text string) bool {
	marks := 0
	for i := range len(text) {
		if text[i] == '%' || text[i] == '=' || text[i] == '\\' {
			marks++
		}
	}
	switch {
	case marks < leastEscaped:
		return false
	case areEscaped(text):
		return true
	case strings.Contains(text, "://") || strings.Contains(text, "www."):
		return false
	}
	return areEscaped(unspaced.Replace(text)) // however it is cut into words
}

var unspaced = strings.NewReplacer(" ", "", "\n", "", ">", "")

func areEscaped(text string) bool {
	var b [mostNumbers]byte
	n, marked, last := 0, 0, 0
	judge := func() bool {
		guilty := n >= leastUnmarked && marked >= leastEscaped && marked*3 >= n && isRandom(b[:n])
		n, marked = 0, 0
		return guilty
	}
	for i := 0; i < len(text); {
		if i == 0 || text[i-1] <= ' ' || text[i-1] == '(' || text[i-1] == '<' {
			if skip := skipURL(text[i:]); skip > 0 {
				i += skip
				continue
			}
		}
		v, size := escape(text[i:])
		switch {
		case size > 0:
			b[n] = v
			n, marked, last = n+1, marked+1, i+size
		case n > 0 && i-last >= literals:
			if judge() {
				return true
			}
		case n > 0 && text[i] > ' ':
			b[n] = text[i]
			n++
		}
		if n == len(b) && judge() {
			return true
		}
		i += max(size, 1)
	}
	return judge()
}

// escape reads one byte behind its mark.
func escape(s string) (v byte, size int) {
	switch {
	case len(s) >= 3 && (s[0] == '%' || s[0] == '=') && isHexDigit(s[1]) && isHexDigit(s[2]):
		return hexByte(s[1:3]), 3
	case len(s) >= 4 && s[0] == '\\' && (s[1] == 'x' || s[1] == 'X') && isHexDigit(s[2]) && isHexDigit(s[3]):
		return hexByte(s[2:4]), 4
	case len(s) >= 4 && s[0] == '\\' && s[1] >= '0' && s[1] <= '3' && isOctal(s[1:4]):
		v, _ := strconv.ParseUint(s[1:4], 8, 8)
		return byte(v), 4
	}
	return 0, 0
}

func hexByte(s string) byte {
	v, _ := strconv.ParseUint(s, 16, 8)
	return byte(v)
}

// The forms of a number.
const (
	decimalForm = 1 << iota
	octalForm
	binaryForm
	hexForm
)

// counted judges numbers that stand one after the other, all of one form.
func counted(text string) bool {
	if !hasFigures(text, leastNumbers) {
		return false
	}
	var words [mostNumbers]string
	n, forms := 0, 0
	judge := func() bool {
		guilty := n >= leastNumbers && (forms&decimalForm != 0 && areRandom(words[:n], 10) || forms&octalForm != 0 && areRandom(words[:n], 8) ||
			forms&binaryForm != 0 && areRandom(words[:n], 2) || forms&hexForm != 0 && areRandom(words[:n], 16))
		n, forms = 0, 0
		return guilty
	}
	for i := 0; i < len(text); {
		if !isWordByte(text[i]) {
			if strings.IndexByte(" ,;\n{}[]()|", text[i]) < 0 && judge() {
				return true
			}
			if strings.IndexByte(" ,;\n{}[]()|", text[i]) < 0 {
				n, forms = 0, 0
			}
			i++
			continue
		}
		end := i
		for end < len(text) && isWordByte(text[end]) {
			end++
		}
		of := formsOf(text[i:end])
		if n > 0 && forms&of == 0 && judge() {
			return true
		}
		switch {
		case of == 0:
			n, forms = 0, 0
		case n == 0:
			words[0], n, forms = text[i:end], 1, of
		default:
			words[n], n, forms = text[i:end], n+1, forms&of
		}
		if n == len(words) && judge() {
			return true
		}
		i = end
	}
	return judge()
}

// hasFigures tells whether there are so many figures in a text.
func hasFigures(text string, n int) bool {
	for i := range len(text) {
		if isFigure(text[i]) {
			if n--; n == 0 {
				return true
			}
		}
	}
	return false
}

// formsOf says as which numbers of a byte a word may be read.
func formsOf(word string) (forms int) {
	switch {
	case len(word) <= 3 && isFigures(word):
		if v, _ := strconv.Atoi(word); v <= 255 {
			forms |= decimalForm
		}
		if len(word) == 3 && word[0] <= '3' && isOctal(word) {
			forms |= octalForm
		}
	case len(word) == 8 && strings.Trim(word, "01") == "":
		forms |= binaryForm
	case len(word) > 2 && len(word) <= 4 && word[0] == '0' && word[1]|0x20 == 'x' && isHex(word[2:]):
		forms |= hexForm
	}
	return forms
}

func isFigures(s string) bool { return strings.Trim(s, digits) == "" }
func isOctal(s string) bool   { return strings.Trim(s, "01234567") == "" }

func areRandom(words []string, base int) bool {
	var b [mostNumbers]byte
	for i, w := range words {
		if base == 16 {
			w = w[2:]
		}
		v, err := strconv.ParseUint(w, base, 8)
		if err != nil {
			return false
		}
		b[i] = byte(v)
	}
	return isRandom(b[:len(words)])
}

// isRandom tells whether bytes look like ciphertext and not like text: no UTF-8,
// about half of them beyond ASCII, spread over all values, hardly any twice, and
// neither climbing nor falling as figures in a table do. Each bound is four
// standard deviations or more away from the mean of random bytes.
func isRandom(b []byte) bool {
	if utf8.Valid(b) {
		return false
	}
	n := float64(len(b))
	var quarters [4]float64
	pairs, falls := 0.0, 0.0
	for i, v := range b {
		quarters[v>>6]++
		if i > 0 && v < b[i-1] {
			falls++
		}
		for _, before := range b[:i] {
			if v == before {
				pairs++
			}
		}
	}
	spread := 0.0
	for _, k := range quarters {
		if k > 0 {
			spread += 2 * k * math.Log(4*k/n)
		}
	}
	mean := n * (n - 1) / 2 / 256
	beyond := quarters[2] + quarters[3]
	return spread < 24 && beyond*6 >= n && beyond*6 <= 5*n && pairs < mean+4*math.Sqrt(mean)+3 && falls*4 >= n-1 && falls*4 <= 3*n
}
