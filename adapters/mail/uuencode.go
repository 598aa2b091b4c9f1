package mail

import (
	"encoding/base64"
	"strings"
)

// Before MIME people put a file into the text itself (POSIX, uuencode), and some
// programs still do. It is taken out and named like any other attachment; the rules of
// what looks encrypted only know those of some length.
var (
	encodedBegin = pattern(`^begin [0-7]{3,4} (\S.*)$`)
	base64Begin  = pattern(`^begin-base64 [0-7]{3,4} (\S.*)$`)
)

// cutEncoded takes such files out of a text.
func cutEncoded(text string) (rest string, files []attachment) {
	if !strings.Contains(text, "begin") {
		return text, nil
	}
	lines := strings.Split(text, "\n")
	var out []string
	for i := 0; i < len(lines); i++ {
		name, size, length := encodedAt(lines[i:])
		if length == 0 {
			out = append(out, lines[i])
			continue
		}
		files = append(files, attachment{name: fileNameOf(name), bytes: size})
		i += length - 1
	}
	return strings.Join(out, "\n"), files
}

// encodedAt reads the file that begins on the first line, of that many lines; 0: none
// does, or not all of it is there.
func encodedAt(lines []string) (name string, size int64, length int) {
	begin, end, decoded := encodedBegin().FindStringSubmatch(lines[0]), "end", uuencoded
	if begin == nil {
		begin, end, decoded = base64Begin().FindStringSubmatch(lines[0]), "====", base64Line
	}
	if begin == nil {
		return "", 0, 0
	}
	for i, line := range lines[1:] {
		if line = strings.TrimRight(line, " \r\t"); line == end {
			return begin[1], size, i + 2
		}
		n, ok := decoded(line)
		if !ok {
			break
		}
		size += n
	}
	return "", 0, 0
}

// uuencoded gives the number of bytes in a line: its first character says it, and four
// stand for three bytes. Blanks at the end may be lost, and a character for a sum may
// stand there.
func uuencoded(line string) (bytes int64, ok bool) {
	if line == "" {
		return 0, true // a blank for no bytes, trimmed
	}
	if strings.ContainsFunc(line, func(r rune) bool { return r < ' ' || r > '`' }) {
		return 0, false
	}
	n := int(line[0]-' ') & 63
	return int64(n), len(line) <= 1+(n+2)/3*4+1
}

func base64Line(line string) (bytes int64, ok bool) {
	b, err := base64.StdEncoding.DecodeString(line)
	return int64(len(b)), err == nil
}
