package main

import (
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
)

func TestALongLineCostsNoOther(t *testing.T) {
	long := strings.Repeat("x", 100_000) // more than the reader's buffer
	for in, want := range map[string][]string{
		"":                              nil,
		"a\nb":                          {"a", "b"},
		"a\r\n\r\nb\n":                  {"a", "", "b"},
		"\ufeffa\n\ufeffb\n":            {"a", "\ufeffb"},
		long + "\nb\n":                  {"long", "b"},
		"a\n" + long:                    {"a", "long"},
		"a\n" + long + "\n" + long:      {"a", "long", "long"},
		strings.Repeat("y", 64):         {strings.Repeat("y", 64)},
		strings.Repeat("y", 65):         {"long"},
		"a\n" + strings.Repeat("\n", 3): {"a", "", "", ""},
	} {
		l, got := newLines(strings.NewReader(in), 64), []string(nil)
		for {
			line, err := l.next()
			if errors.Is(err, io.EOF) {
				break
			}
			if errors.Is(err, errLongLine) {
				line = []byte("long")
			} else if err != nil {
				t.Fatal(err)
			}
			got = append(got, string(line))
		}
		if !slices.Equal(got, want) {
			t.Errorf("%.20q… gave %q, want %q", in, got, want)
		}
	}
}
