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
	t := tree{left: raw}
	return t.value(maxDepth)
}

// bare leaves out what some programs put around JSON: a byte order mark, which a
// reader may ignore (RFC 8259 section 8.1), and the zero bytes that end a text in C.
func bare(raw []byte) []byte {
	return bytes.TrimRight(bytes.TrimPrefix(raw, []byte("\ufeff")), "\x00")
}

// tree reads what is known to be valid JSON. A json.Decoder would take twice the time
// and keep quiet about a name that comes twice.
type tree struct{ left []byte }

// next gives the next byte that is no blank, without taking it.
func (t *tree) next() byte {
	t.left = bytes.TrimLeft(t.left, " \t\r\n")
	return t.left[0]
}

// took takes the next byte if it is that one.
func (t *tree) took(c byte) bool {
	if t.next() != c {
		return false
	}
	t.left = t.left[1:]
	return true
}

// value takes one value, in which others may lie so deep.
func (t *tree) value(deep int) (any, error) {
	switch t.next() {
	case '{', '[':
		if deep == 0 {
			return nil, dropTooDeep
		}
		if t.took('[') {
			return t.array(deep - 1)
		}
		return t.object(deep - 1)
	case '"':
		return t.text(), nil
	}
	switch word := t.word(); word {
	case "null":
		return nil, nil
	case "true", "false":
		return word == "true", nil
	default:
		return json.Number(word), nil
	}
}

func (t *tree) array(deep int) (all []any, err error) {
	for all = []any{}; !t.took(']'); t.took(',') {
		v, err := t.value(deep)
		if err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, nil
}

func (t *tree) object(deep int) (map[string]any, error) {
	t.took('{')
	members := map[string]any{}
	for ; !t.took('}'); t.took(',') {
		t.next()
		name := t.text()
		t.took(':')
		v, err := t.value(deep)
		if err != nil {
			return nil, err
		}
		if _, twice := members[name]; twice {
			return nil, dropTwice
		}
		members[name] = v
	}
	return members, nil
}

// text takes a string, from its quotation mark.
func (t *tree) text() (s string) {
	end, escaped := 1, false
	for ; t.left[end] != '"'; end++ {
		if t.left[end] == '\\' {
			end, escaped = end+1, true
		}
	}
	raw := t.left[:end+1]
	t.left = t.left[end+1:]
	if !escaped {
		return string(raw[1:end])
	}
	_ = json.Unmarshal(raw, &s) // it is valid
	return s
}

// word takes a number or literal: all up to what may stand behind a value.
func (t *tree) word() string {
	end := bytes.IndexAny(t.left, " \t\r\n,]}")
	if end < 0 {
		end = len(t.left)
	}
	word := string(t.left[:end])
	t.left = t.left[end:]
	return word
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
