package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/rivo/uniseg"
)

// width is the terminal width that every list fits into.
const width = 80

// table writes lines for people, and for machines. It keeps the first error: when nobody
// reads the pipe any more the list ends.
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

// line writes one line, without blanks at its end, and marks what cannot be shown.
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

// wrap writes a text after a lead, broken at blanks to the width.
func (t *table) wrap(lead, text string) {
	room := width - columns(lead)
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

// columns is how many columns of a terminal a text takes: a Chinese character
// takes two, an accent none (Unicode Standard Annexes #11 and #29).
func columns(s string) int { return uniseg.StringWidth(s) }

// head is as much of a text as fits into so many columns, whole characters.
func head(s string, room int) string {
	rest, state, used := s, -1, 0
	for rest != "" {
		var wide int
		var after string
		_, after, wide, state = uniseg.FirstGraphemeClusterInString(rest, state)
		if used += wide; used > room {
			break
		}
		rest = after
	}
	return s[:len(s)-len(rest)]
}

// broken cuts a text into pieces of at most so many columns, at blanks where
// there are any.
func broken(text string, room int) (pieces []string) {
	for columns(text) > room {
		piece := head(text, room)
		if cut := strings.LastIndexByte(piece, ' '); cut > 0 && text[len(piece)] != ' ' {
			piece = piece[:cut]
		}
		if piece == "" {
			break // one character, wider than the room
		}
		pieces = append(pieces, strings.TrimRight(piece, " "))
		text = strings.TrimLeft(text[len(piece):], " ")
	}
	return append(pieces, text)
}

// clip cuts a text to so many columns, on one line.
func clip(s string, most int) string {
	s = plain(strings.Join(strings.Fields(s), " "))
	if columns(s) <= most {
		return s
	}
	return head(s, most-3) + "..."
}

// plain replaces control and invisible characters: texts come from strangers.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}
