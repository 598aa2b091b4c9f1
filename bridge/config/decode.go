package config

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"net/netip"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// fault is what is wrong with a value, and what to write instead.
type fault struct{ problem, advice string }

func (f fault) Error() string { return f.problem + "; " + f.advice }

// set reads a value into the field by the field's type and the rules of its
// tags. On an error the field is as it was.
func (v variable) set(text string) error {
	lines := v.tag.Get("multiline") != ""
	if n := len(text); !lines && n > 1 && (text[0] == '"' || text[0] == '\'') && text[n-1] == text[0] {
		return fault{"has quotation marks around it, which become part of the value", "take them away"}
	}
	if words := v.oneof(); words != "" && !contains(words, text) {
		return fault{"is " + quote(text), "write one of " + strings.ReplaceAll(words, ",", ", ")}
	}
	if unreadable(text, lines) {
		return fault{"holds a control character or is not UTF-8", "write plain text in one line"}
	}
	if u, ok := v.field.Addr().Interface().(encoding.TextUnmarshaler); ok {
		return u.UnmarshalText([]byte(text))
	}
	switch p := v.field.Addr().Interface().(type) {
	case *string:
		*p = text
		return nil
	case *bool:
		return assign(p, text, parseBool)
	case *int:
		return assign(p, text, v.parseInt)
	case *float64:
		return assign(p, text, v.parseFloat)
	case *time.Duration:
		return assign(p, text, parseDuration)
	case *[]string:
		return assign(p, text, listOf(parseItem))
	case *[]Route:
		return assign(p, text, listOf(parseRoute))
	case *[]Allow:
		return assign(p, text, listOf(parseAllow))
	case *[]netip.Prefix:
		return assign(p, text, listOf(parsePrefix))
	}
	panic("config: no decoder for " + v.field.Type().String() + " of " + v.name) // a row of the table that no test has seen
}

// copyFrom takes over the value of another variable of the same type.
func (v variable) copyFrom(o variable) { v.field.Set(o.field) }

func assign[T any](p *T, text string, parse func(string) (T, error)) error {
	value, err := parse(text)
	if err == nil {
		*p = value
	}
	return err
}

// listOf reads comma-separated items; spaces around them do not count and an
// empty item is a fault, since it is what a forgotten word leaves.
func listOf[T any](parse func(string) (T, error)) func(string) ([]T, error) {
	return func(text string) ([]T, error) {
		if strings.TrimSpace(text) == "" {
			return nil, nil
		}
		var list []T
		for item := range strings.SplitSeq(text, ",") {
			item = strings.TrimSpace(item)
			if item == "" {
				return nil, fault{"has an empty item", "separate the items with single commas"}
			}
			value, err := parse(item)
			if err != nil {
				return nil, err
			}
			list = append(list, value)
		}
		return list, nil
	}
}

func parseItem(s string) (string, error) { return s, nil }

func parseBool(s string) (bool, error) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "yes", "true":
		return true, nil
	case "no", "false":
		return false, nil
	}
	return false, fault{"is " + quote(s), "write yes or no"}
}

func parseDuration(s string) (time.Duration, error) {
	d, err := time.ParseDuration(s)
	if err != nil {
		return 0, fault{"is " + quote(s) + ", not a duration", "write a number with a unit, such as 30s, 10m or 24h"}
	}
	if d <= 0 {
		return 0, fault{"is " + quote(s), "write a duration above zero"}
	}
	return d, nil
}

func (v variable) parseInt(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil {
		return 0, fault{"is " + quote(s) + ", not a whole number", v.rangeAdvice()}
	}
	return n, v.inRange(float64(n))
}

func (v variable) parseFloat(s string) (float64, error) {
	n, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(n) {
		return 0, fault{"is " + quote(s) + ", not a number", v.rangeAdvice()}
	}
	return n, v.inRange(n)
}

func (v variable) bounds() (low, high string) {
	low, high, _ = strings.Cut(v.tag.Get("range"), ",")
	return low, high
}

func (v variable) rangeAdvice() string {
	low, high := v.bounds()
	return "write a number from " + low + " to " + high
}

func (v variable) inRange(n float64) error {
	low, high := v.bounds()
	least, err1 := strconv.ParseFloat(low, 64)
	most, err2 := strconv.ParseFloat(high, 64)
	if err := errors.Join(err1, err2); err != nil {
		panic(fmt.Sprintf("config: range of %s: %v", v.name, err)) // the tag is wrong
	}
	if n < least || n > most {
		return fault{"is out of range", v.rangeAdvice()}
	}
	return nil
}

// boolText spells a value as the variable's default and the manual do.
func (v variable) boolText(value bool) string {
	switch v.tag.Get("default") {
	case "true", "false":
		return strconv.FormatBool(value)
	}
	if value {
		return "yes"
	}
	return "no"
}

// text gives the value in the form that set reads; a secret as ***.
func (v variable) text() string {
	if m, ok := v.field.Interface().(fmt.Stringer); ok && v.field.Type() != reflect.TypeFor[time.Duration]() {
		s := m.String()
		if v.oneof() != "" {
			s = strings.ToLower(s) // slog prints its levels in capitals
		}
		return s
	}
	switch value := v.field.Interface().(type) {
	case string:
		if v.hasUserinfo() {
			return hideUserinfo(value)
		}
		return value
	case bool:
		return v.boolText(value)
	case time.Duration:
		return durationText(value)
	case int, float64:
		if v.field.IsZero() && v.tag.Get("default") == "" {
			return ""
		}
		return fmt.Sprint(value)
	case []string:
		return strings.Join(value, ",")
	}
	var items []string
	for i := range v.field.Len() {
		items = append(items, fmt.Sprint(v.field.Index(i)))
	}
	return strings.Join(items, ",")
}

// durationText gives 24h where time prints 24h0m0s.
func durationText(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// hideUserinfo hides what stands before the last @ of a URL, where people put
// passwords.
func hideUserinfo(url string) string {
	i := strings.LastIndexByte(url, '@')
	if i < 0 {
		return url
	}
	scheme, _, ok := strings.Cut(url[:i], "://")
	if !ok {
		return "***" + url[i:]
	}
	return scheme + "://***" + url[i:]
}

// unreadable tells whether a text holds control characters or is not UTF-8.
func unreadable(text string, lines bool) bool {
	return !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool {
		return unicode.IsControl(r) && !(lines && (r == '\n' || r == '\t'))
	})
}

func contains(list, word string) bool {
	for w := range strings.SplitSeq(list, ",") {
		if w == word {
			return true
		}
	}
	return false
}

// quote shows a value in a finding, cut to a length that fits on a line.
func quote(s string) string {
	const most = 40
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strconv.Quote(s)
}
