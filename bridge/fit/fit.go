package fit

import (
	"errors"
	"fmt"
)

// Mark is what the gateway adds to a text, first and last in each part: exercise
// marks, the filing time, the name of the writer. Both are written as they are,
// with whatever separates them from the text, and count in the limit.
type Mark struct {
	Before string // `EXERCISE 251405Z `
	After  string // ` EXERCISE`
}

// ErrTooLong is what every error of Fit is (errors.Is).
var ErrTooLong = errors.New("the text is too long for this medium")

// TooLongError says by how much a text is too long.
type TooLongError struct {
	Parts    int // how many parts it would have taken; 0: the marks and number leave no room for any text
	MaxParts int // how many the medium takes
	MaxBytes int // in one part
}

func (e *TooLongError) Error() string {
	if e.Parts == 0 {
		return fmt.Sprintf("%v: marks and part number leave no room in %d bytes", ErrTooLong, e.MaxBytes)
	}
	return fmt.Sprintf("%v: it takes %d parts of %d bytes, at most %d are sent", ErrTooLong, e.Parts, e.MaxBytes, e.MaxParts)
}

func (e *TooLongError) Unwrap() error { return ErrTooLong }

// Fit gives the frames of a text for a medium, each with the marks, each within
// MaxBytes. The error is a *TooLongError.
func Fit(text string, m Medium, mark Mark) ([]string, error) {
	text = Normalise(text, m)
	before, after := charset(mark.Before, m), charset(mark.After, m)
	if size := len(before) + len(text) + len(after); m.MaxBytes <= 0 || size <= m.MaxBytes {
		return []string{before + text + after}, nil
	}
	chunks, err := split(text, m, len(before)+len(after))
	if err != nil {
		return nil, err
	}
	parts := make([]string, len(chunks))
	for i, c := range chunks {
		parts[i] = before + number(i+1, len(chunks)) + c.separator() + c.text + after
	}
	return parts, nil
}
