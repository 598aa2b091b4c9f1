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
	switch {
	case !utf8.Valid(raw), loneSurrogate(raw):
		return nil, dropNotUTF8
	case !json.Valid(raw):
		return nil, dropNotJSON
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	return readValue(d, 0)
}

func readValue(d *json.Decoder, depth int) (any, error) {
	t, err := d.Token()
	if err != nil {
		return nil, dropNotJSON
	}
	delim, nested := t.(json.Delim)
	switch {
	case !nested:
		return t, nil
	case depth == maxDepth:
		return nil, dropTooDeep
	case delim == '[':
		return readArray(d, depth+1)
	}
	return readObject(d, depth+1)
}

func readArray(d *json.Decoder, depth int) (any, error) {
	out := []any{}
	for d.More() {
		v, err := readValue(d, depth)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	_, err := d.Token() // the closing bracket
	return out, err
}

func readObject(d *json.Decoder, depth int) (any, error) {
	out := map[string]any{}
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return nil, dropNotJSON
		}
		key := name.(string) // JSON is valid, so a name is a string
		if _, twice := out[key]; twice {
			return nil, dropTwice
		}
		if out[key], err = readValue(d, depth); err != nil {
			return nil, err
		}
	}
	_, err := d.Token()
	return out, err
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
