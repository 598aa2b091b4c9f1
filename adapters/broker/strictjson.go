package broker

import (
	"bytes"
	"encoding/json"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

const maxDepth = 16 // arrays and objects within each other

// readJSON reads one JSON value (RFC 8259) into maps, slices, strings, bools and
// json.Numbers. It refuses what encoding/json mends or leaves open: ill-formed
// UTF-8 and lone surrogates (it would put U+FFFD there), a name that occurs
// twice in an object (which one holds?) and deep nesting.
func readJSON(raw []byte) (any, error) {
	raw = bare(raw)
	switch {
	case !utf8.Valid(raw), loneSurrogate(raw):
		return nil, dropNotUTF8
	case !json.Valid(raw):
		return nil, dropNotJSON
	}
	members, depth := shape(raw)
	if depth > maxDepth {
		return nil, dropTooDeep
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		return nil, dropNotJSON
	}
	if countMembers(tree) != members {
		return nil, dropTwice // the later of the two has taken the place of the first
	}
	return tree, nil
}

// bare leaves out what some programs put around JSON: a byte order mark, which a
// reader may ignore (RFC 8259 section 8.1), and the zero bytes that end a text in C.
func bare(raw []byte) []byte {
	return bytes.TrimRight(bytes.TrimPrefix(raw, []byte("\ufeff")), "\x00")
}

// shape counts the members of all objects in valid JSON, and how deep arrays and
// objects lie within each other.
func shape(raw []byte) (members, deepest int) {
	depth, quoted := 0, false
	for i := 0; i < len(raw); i++ {
		switch c := raw[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == ':':
			members++
		case c == '{', c == '[':
			depth++
			deepest = max(deepest, depth)
		case c == '}', c == ']':
			depth--
		}
	}
	return members, deepest
}

// countMembers counts those that were read.
func countMembers(tree any) (n int) {
	switch node := tree.(type) {
	case map[string]any:
		n = len(node)
		for _, v := range node {
			n += countMembers(v)
		}
	case []any:
		for _, v := range node {
			n += countMembers(v)
		}
	}
	return n
}

// loneSurrogate tells whether a \u escape is half of a UTF-16 pair without its
// other half. It may be asked of what is not JSON.
func loneSurrogate(raw []byte) bool {
	for i := 0; i < len(raw); i++ {
		if raw[i] != '\\' {
			continue
		}
		r, ok := escape(raw[i:])
		switch {
		case !ok:
			i++ // a short escape, such as \\
		case !utf16.IsSurrogate(r):
			i += 5
		default:
			second, ok := escape(raw[i+6:])
			if !ok || utf16.DecodeRune(r, second) == utf8.RuneError {
				return true
			}
			i += 11
		}
	}
	return false
}

// escape reads \uXXXX at the start of b.
func escape(b []byte) (rune, bool) {
	if len(b) < 6 || b[0] != '\\' || b[1] != 'u' {
		return 0, false
	}
	v, err := strconv.ParseUint(string(b[2:6]), 16, 16)
	return rune(v), err == nil
}
