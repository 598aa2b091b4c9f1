package fit

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Join makes one text of the parts that Fit split it into, in any order; copies
// of a part do no harm. A single frame is its own text. Marks stand once, first
// and last, as if the text had fitted in one frame.
//
// The result is exact when the mark at the end is empty or what the mark in
// front begins with (`EXERCISE 251405Z ` and ` EXERCISE`): any other end looks
// like text, and stays in each part.
func Join(parts []string) (string, error) {
	parts = slices.Compact(slices.Sorted(slices.Values(parts)))
	switch len(parts) {
	case 0:
		return "", errors.New("joining parts: there are none")
	case 1:
		return parts[0], nil
	}
	before := commonPrefix(parts)
	read, err := readParts(parts, before)
	if err != nil {
		return "", fmt.Errorf("joining parts: %w", err)
	}
	after := endMark(read, before)
	var b strings.Builder
	b.WriteString(before)
	for i, p := range read {
		if i > 0 && !p.joined {
			b.WriteByte(' ')
		}
		b.WriteString(strings.TrimSuffix(p.text, after))
	}
	b.WriteString(after)
	return b.String(), nil
}

// Numbered tells whether a frame looks like a part, and which of how many: it
// begins with its number, or has it behind a mark and a space. People write
// `1/2` too, so only the arrival of all parts from one writer makes sure.
func Numbered(frame string) (k, n int, ok bool) {
	for rest, more := frame, true; more; _, rest, more = strings.Cut(rest, " ") {
		if p, err := readPart(rest); err == nil && p.n > 1 {
			return p.k, p.n, true
		}
	}
	return 0, 0, false
}

type part struct {
	k, n int
	chunk
}

// readParts reads and orders all parts of one text.
func readParts(frames []string, before string) ([]part, error) {
	var parts []part
	for _, frame := range frames {
		p, err := readPart(strings.TrimPrefix(frame, before))
		if err != nil {
			return nil, err
		}
		parts = append(parts, p)
	}
	slices.SortFunc(parts, func(a, b part) int { return cmp.Compare(a.k, b.k) })
	for i, p := range parts {
		switch {
		case p.n != parts[0].n:
			return nil, fmt.Errorf("part %d/%d and part %d/%d are of different texts", parts[0].k, parts[0].n, p.k, p.n)
		case i > 0 && p.k == parts[i-1].k:
			return nil, fmt.Errorf("there are two different parts %d/%d", p.k, p.n)
		}
	}
	for i := range parts[0].n {
		if i >= len(parts) || parts[i].k != i+1 {
			return nil, fmt.Errorf("part %d/%d is missing", i+1, parts[0].n)
		}
	}
	return parts, nil
}

// readPart reads a frame from its number on.
func readPart(frame string) (part, error) {
	end := strings.IndexAny(frame, " +")
	if end < 0 {
		return part{}, fmt.Errorf("%.20q does not begin with the number of a part", frame)
	}
	first, second, _ := strings.Cut(frame[:end], "/")
	k, errK := strconv.Atoi(first)
	n, errN := strconv.Atoi(second)
	if errK != nil || errN != nil || k < 1 || k > n || number(k, n) != frame[:end] {
		return part{}, fmt.Errorf("%.20q does not begin with the number of a part", frame)
	}
	return part{k, n, chunk{frame[end+1:], frame[end] == '+'}}, nil
}

// commonPrefix is what stands before the number: it ends there, as the numbers
// of the first and second part differ in their first digit.
func commonPrefix(sorted []string) string {
	first, last := sorted[0], sorted[len(sorted)-1]
	n := 0
	for n < len(first) && n < len(last) && first[n] == last[n] {
		n++
	}
	return first[:n]
}

// endMark is what each part ends with, if it repeats what the mark in front
// begins with.
func endMark(parts []part, before string) string {
	words := strings.Fields(before)
	for n := len(words); n > 0; n-- {
		mark := " " + strings.Join(words[:n], " ")
		if !slices.ContainsFunc(parts, func(p part) bool { return !strings.HasSuffix(p.text, mark) }) {
			return mark
		}
	}
	return ""
}
