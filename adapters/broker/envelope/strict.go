package envelope

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"unicode/utf8"
)

const (
	maxDepth  = 8  // arrays and objects within each other
	maxMember = 40 // bytes of a member's name
)

// strict makes sure that raw is one JSON value that everybody reads alike:
// well-formed UTF-8, no name twice in an object (which one holds?), no deep
// nesting, and only names that allowed lets through.
func strict(raw []byte, allowed func(string) bool) error {
	if !utf8.Valid(raw) {
		return errors.New("not UTF-8")
	}
	if !json.Valid(raw) {
		return errors.New("not JSON")
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	return walk(d, allowed, 0)
}

// walk goes over the next value.
func walk(d *json.Decoder, allowed func(string) bool, depth int) error {
	t, err := d.Token()
	if err != nil {
		return err
	}
	open, nested := t.(json.Delim)
	if !nested {
		return nil
	}
	if depth == maxDepth {
		return fmt.Errorf("nested deeper than %d", maxDepth)
	}
	seen := map[string]bool{}
	for d.More() {
		if open == '{' {
			if err := member(d, seen, allowed); err != nil {
				return err
			}
		}
		if err := walk(d, allowed, depth+1); err != nil {
			return err
		}
	}
	_, err = d.Token() // the closing bracket
	return err
}

// member goes over the name of a member.
func member(d *json.Decoder, seen map[string]bool, allowed func(string) bool) error {
	t, err := d.Token()
	if err != nil {
		return err
	}
	name, _ := t.(string)
	switch {
	case seen[name]:
		return fmt.Errorf("member %q occurs twice", clip(name))
	case !allowed(name):
		return fmt.Errorf("member %q has a name that no event has", clip(name))
	}
	seen[name] = true
	return nil
}

// isMember allows a to z, 0 to 9 and underscores. encoding/json takes FROM for
// from; here only one spelling gets through.
func isMember(name string) bool {
	for i := range len(name) {
		if ch := name[i]; !(ch >= 'a' && ch <= 'z' || ch >= '0' && ch <= '9' || ch == '_') {
			return false
		}
	}
	return name != "" && len(name) <= maxMember
}

// anyMember allows every name.
func anyMember(string) bool { return true }

// compact writes JSON without spaces and without the escapes that only HTML
// needs, so that it stays readable.
func compact(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
