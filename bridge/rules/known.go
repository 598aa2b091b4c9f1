package rules

import (
	"cmp"
	"strings"
)

// known gives the length of a token at i that people do send, though it looks
// random: a web address, a mail address or message id, a hash. A hash is still
// judged as hex.
func (s *scan) known(i int) (n int, hex bool) {
	text := s.text
	if n := skipURL(text[i:]); n > 0 {
		return n, false
	}
	if s.prev == wordStart || strings.IndexByte("<(:", byte(s.prev)+' ') >= 0 {
		if n := skipMail(text[i:]); n > 0 {
			return n, false
		}
	}
	if isUUID(text[i:]) {
		return uuidLength, false
	}
	if n := shortHash(text[i:]); n > 0 {
		return n, false
	}
	if s.prev == wordStart || strings.IndexByte("<([{:,\"'", byte(s.prev)+' ') >= 0 { // not inside base64
		if n := cmp.Or(sentence(text[i:]), plusCode(text[i:]), groups(text[i:]), options(text[i:]), account(text[i:])); n > 0 {
			return n, false
		}
	}
	if n := hexPairs(text[i:]); n > 0 {
		return n, (n+1)/3 >= leastPairs && !isNamedHash(text, i, n)
	}
	if n := namedDigest(text, i); n > 0 {
		return n, false
	}
	n = hash(text, i)
	return n, n > 0 && !isNamedHash(text, i, n)
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

const uuidLength = 36

// isUUID tells whether s begins with a UUID (RFC 9562 section 4).
func isUUID(s string) bool {
	if len(s) < uuidLength || len(s) > uuidLength && isHexDigit(s[uuidLength]) {
		return false
	}
	for i := range uuidLength {
		if hyphen := i == 8 || i == 13 || i == 18 || i == 23; hyphen != (s[i] == '-') || !hyphen && !isHexDigit(s[i]) {
			return false
		}
	}
	return true
}

// sentence gives the length of a sentence of navigation equipment, ships'
// transponders included (NMEA 0183: 82 characters at most), if its checksum is
// right: its fields are coded, and published.
func sentence(s string) int {
	if len(s) < 6 || s[0] != '$' && s[0] != '!' {
		return 0
	}
	star := strings.IndexByte(s[:min(len(s), 80)], '*')
	if star < 6 || star+3 > len(s) || !isHexDigit(s[star+1]) || !isHexDigit(s[star+2]) {
		return 0
	}
	sum := byte(0)
	for i := 1; i < star; i++ {
		sum ^= s[i]
	}
	if hexByte(s[star+1:star+3]) != sum {
		return 0
	}
	return star + 3
}

// account gives the length of an international bank account number (ISO 13616: a
// country, two check digits, the country's own number), together or in groups of
// four, if it is as long as the country's are and its check digits are right.
func account(s string) int {
	if len(s) < 15 || !isCapital(s[0]) || !isCapital(s[1]) || !isFigure(s[2]) || !isFigure(s[3]) {
		return 0
	}
	at := strings.Index(accountLengths, s[:2])
	if at < 0 || at%5 != 0 {
		return 0
	}
	var number [34]byte
	length := int(accountLengths[at+2]-'0')*10 + int(accountLengths[at+3]-'0')
	n, all := 0, 0
	for ; n < len(s) && all < length && (isFigure(s[n]) || isCapital(s[n])); n++ {
		number[all] = s[n]
		all++
		if all%4 == 0 && all < length && n+1 < len(s) && s[n+1] == ' ' {
			n++
		}
	}
	if all < length || n < len(s) && isWordByte(s[n]) || !isChecked(number[:all]) {
		return 0
	}
	return n
}

// accountLengths are the characters that account numbers have, by country: the
// registry of ISO 13616.
const accountLengths = "AD24 AE23 AT20 BA20 BE16 BG22 BR29 CH21 CR22 CY28 CZ24 DE22 DK18 EE20 ES24 FI18 FO18 FR27 GB22 GE22 GI23 GL18 GR27 HR21 HU28 IE22 IL23 IS26 IT27 KW30 KZ20 " +
	"LB28 LI21 LT20 LU20 LV21 MC27 MD24 ME22 MK19 MT31 NL18 NO15 PK24 PL28 PT25 QA29 RO24 RS22 SA24 SE24 SI19 SK24 SM27 TN24 TR26 UA29 XK20 "

// isChecked does what ISO 7064 calls MOD 97-10, with the first four characters
// put last.
func isChecked(account []byte) bool {
	rest := 0
	for i := range account {
		ch := account[(i+4)%len(account)]
		if isFigure(ch) {
			rest = (rest*10 + int(ch-'0')) % 97
		} else {
			rest = (rest*100 + int(ch-'A') + 10) % 97
		}
	}
	return rest == 1
}

func isCapital(ch byte) bool { return ch >= 'A' && ch <= 'Z' }

// plusCode gives the length of an Open Location Code: eight characters of its
// alphabet, a plus and two or three more.
func plusCode(s string) int {
	n := 0
	for n < len(s) && n < 12 && strings.IndexByte("23456789CFGHJMPQRVWX", s[n]) >= 0 || n == 8 && n < len(s) && s[n] == '+' {
		n++
	}
	if n < 11 || s[8] != '+' || n < len(s) && isWordByte(s[n]) {
		return 0
	}
	return n
}

// groups gives the length of an id or product key: four groups or more of two to
// eight letters and figures with hyphens between, 32 in all. That is less than 24
// bytes.
func groups(s string) int {
	n, all, group, count := 0, 0, 0, 1
	for ; n < len(s) && (s[n] == '-' || isFigure(s[n]) || isASCIILetter(s[n])); n++ {
		switch {
		case s[n] != '-':
			all, group = all+1, group+1
		case group < 2:
			return 0
		default:
			group, count = 0, count+1
		}
		if group > 8 || all > 32 {
			return 0
		}
	}
	if group < 2 || count < 4 || n < len(s) && s[n] > ' ' && strings.IndexByte(".,;:!?)]>\"'", s[n]) < 0 {
		return 0
	}
	return n
}

// options gives the length of a list of letters, 16 or more, none of them twice,
// in the order of the alphabet but for two places, as programs list their options.
func options(s string) int {
	var seen uint64
	n, falls := 0, 0
	for ; n < len(s) && isASCIILetter(s[n]); n++ {
		bit := uint64(1) << (s[n] - 'A')
		if seen&bit != 0 {
			return 0
		}
		seen |= bit
		if n > 0 && s[n]|0x20 < s[n-1]|0x20 {
			falls++
		}
	}
	if n < 16 || falls > 2 || n < len(s) && isWordByte(s[n]) {
		return 0
	}
	return n
}

// shortHash gives the length of a password's hash in the oldest form of crypt(3)
// that is still met, $1$ with salt and 22 characters: under 24 bytes.
func shortHash(s string) int {
	rest, ok := strings.CutPrefix(s, "$1$")
	salt := strings.IndexByte(rest, '$')
	if !ok || salt < 1 || salt > 8 {
		return 0
	}
	n := salt + 1
	for n < len(rest) && (isWordByte(rest[n]) && rest[n] < 0x80 || rest[n] == '.' || rest[n] == '/') {
		n++
	}
	if n-salt-1 != 22 {
		return 0
	}
	return len("$1$") + n
}

// leastPairs is how many bytes a token of hex pairs has at least that is no
// network address.
const leastPairs = 24

// hexPairs gives the length of a token of pairs of hex digits with colons or
// hyphens between, as network addresses and the fingerprints of certificates have.
func hexPairs(s string) int {
	if len(s) < 3 || s[2] != ':' && s[2] != '-' {
		return 0
	}
	n := 0
	for n+1 < len(s) && isHexDigit(s[n]) && isHexDigit(s[n+1]) && (n+2 == len(s) || s[n+2] == s[2] || !isWordByte(s[n+2])) {
		if n += 2; n == len(s) || s[n] != s[2] {
			break
		}
		n++
	}
	if n < 3*3-1 {
		return 0
	}
	return n
}

func isHexDigit(ch byte) bool { return isFigure(ch) || ch|0x20 >= 'a' && ch|0x20 <= 'f' }

// isDigestLength knows the lengths of the usual digests in hex, beyond those that
// are too short to convict: SHA-224 to SHA-512. With colons between the pairs.
func isDigestLength(n int) bool {
	switch n {
	case 56, 64, 96, 128, 20*3 - 1, 32*3 - 1:
		return true
	}
	return false
}

// isNamedHash tells whether a token of hex digits is a digest that the text says
// to be one: it has a digest's length, no other hex stands beside it, and a word
// for it stands near, or it begins a line with a file's name behind it, as
// checksum tools print. Such a digest could be 32 bytes of ciphertext; so could
// any hash, and the reader is told what it is.
func isNamedHash(text string, i, n int) bool {
	if !isDigestLength(n) || isHexWord(lastWord(text[:i])) || isHexWord(firstField(text[i+n:])) {
		return false
	}
	near := strings.ToLower(text[max(0, i-nearby):i] + " " + text[i+n:min(len(text), i+n+nearby/2)])
	for _, word := range hashWords {
		if strings.Contains(near, word) {
			return true
		}
	}
	return startsLine(text[:i]) && listsFile(text[i+n:])
}

// startsLine tells whether only spaces stand between a line end and what is
// behind s.
func startsLine(s string) bool {
	s = strings.TrimRight(s, " ")
	return s == "" || s[len(s)-1] == '\n'
}

// listsFile tells whether a line goes on with a file's name, or its size and its
// name.
func listsFile(s string) bool {
	line, _, _ := strings.Cut(s, "\n")
	fields := strings.Fields(line)
	if len(fields) > 1 && isNumber(fields[0]) {
		fields = fields[1:]
	}
	return len(fields) == 1 && strings.Contains(strings.Trim(fields[0], "."), ".")
}

// nearby is how many bytes before a digest the word for it may stand.
const nearby = 48

// hashWords name a digest, in small letters.
var hashWords = [...]string{"sha", "md5", "hash", "digest", "checksum", "fingerprint", "commit", "blake", "merkle",
	"prüfsumme", "fingerabdruck", "contrôle", "empreinte", "huella", "somma", "resumen", "suma", "хеш", "хэш", "контрольн", "отпечат", "ハッシュ", "校验", "校驗"}

// isHexWord tells whether a word looks like a piece of hex: a number is none.
func isHexWord(s string) bool {
	return isHex(s) && len(s) >= 4 && (len(s) >= 16 || !isNumber(s))
}

func isHex(s string) bool {
	for i := range len(s) {
		if !isHexDigit(s[i]) {
			return false
		}
	}
	return true
}

func firstField(s string) string {
	s = strings.TrimLeft(s, " \n>")
	return s[:wordLength(s)]
}

func lastWord(s string) string {
	s = strings.TrimRight(s, " \n>")
	return s[strings.LastIndexAny(s, " \n")+1:]
}

// namedDigest gives the length of a digest in base64 that says what it is: a
// host key's fingerprint (SHA256:43 characters) or a resource's integrity
// (sha256-44 characters, W3C Subresource Integrity).
func namedDigest(text string, i int) int {
	s := text[i:]
	for _, d := range [...]struct {
		name   string
		digits int
	}{{"SHA256:", 43}, {"sha256-", 43}, {"sha384-", 64}, {"sha512-", 86}} {
		rest, ok := strings.CutPrefix(s, d.name)
		if !ok || len(rest) < d.digits {
			continue
		}
		n := 0
		for n < len(rest) && rest[n] < 0x80 && alphabet[rest[n]]&(1<<base64Only) != 0 {
			n++
		}
		if n == d.digits {
			return len(d.name) + n
		}
	}
	return 0
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
	n, dot, upper := at+1, 0, 0
	for ; n < len(s) && n < at+100 && (isWordByte(s[n]) || s[n] == '-' || s[n] == '.'); n++ {
		switch {
		case s[n] == '.':
			dot = n
		case s[n] >= 'A' && s[n] <= 'Z':
			upper++
		}
	}
	if dot <= at+1 || !isTopDomain(s[dot+1:n]) || upper > 0 && strings.ToUpper(s[at+1:n]) != s[at+1:n] {
		return 0
	}
	return n
}

// isTopDomain tells whether s looks like what is behind the last dot of a domain.
func isTopDomain(s string) bool {
	for i := range len(s) {
		if !isASCIILetter(s[i]) {
			return false
		}
	}
	return len(s) >= 2
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
	if n := wordLength(s); n <= maxURL {
		return n
	}
	return 0
}
