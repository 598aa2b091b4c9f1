package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// width is the width of the terminal that every list fits in.
const width = 80

// table writes what people read, line by line, and machines too. It keeps the
// first error: a pipe that nobody reads any longer ends the list.
type table struct {
	w    *bufio.Writer
	json func(any) error
	err  error
}

func newTable(w io.Writer) *table {
	t := &table{w: bufio.NewWriter(w)}
	t.json = json.NewEncoder(t.w).Encode
	return t
}

// line writes one line without blanks at its end; what cannot be shown is marked.
func (t *table) line(format string, args ...any) error {
	if t.err == nil {
		_, t.err = t.w.WriteString(strings.TrimRight(plain(fmt.Sprintf(format, args...)), " ") + "\n")
	}
	return t.err
}

// field writes a name and its value; no value, no line.
func (t *table) field(name, value string) {
	if value != "" {
		t.wrap(fmt.Sprintf("  %-9s ", name), value)
	}
}

// wrap writes a text behind a lead, broken at blanks to the width.
func (t *table) wrap(lead, text string) {
	room := width - utf8.RuneCountInString(lead)
	for line := range strings.Lines(text + "\n") {
		for _, piece := range broken(plain(strings.TrimRight(line, "\r\n")), room) {
			t.line("%s%s", lead, piece)
			lead = strings.Repeat(" ", width-room)
		}
	}
}

func (t *table) flush() error {
	if t.err == nil {
		t.err = t.w.Flush()
	}
	return t.err
}

// broken cuts a text into pieces of at most so many characters, at blanks where
// there are any.
func broken(text string, room int) (pieces []string) {
	rest := []rune(text)
	for len(rest) > room {
		cut := room
		for cut > 0 && rest[cut] != ' ' {
			cut--
		}
		if cut == 0 {
			cut = room
		}
		pieces = append(pieces, string(rest[:cut]))
		rest = []rune(strings.TrimLeft(string(rest[cut:]), " "))
	}
	return append(pieces, string(rest))
}

// clip cuts a text to so many characters, on one line.
func clip(s string, most int) string {
	s = strings.Join(strings.Fields(s), " ")
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most-3]) + "..."
}

// plain replaces what a terminal would obey or not show: texts come from
// strangers.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}
