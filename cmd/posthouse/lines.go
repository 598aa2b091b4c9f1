package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
)

// lines reads lines of bounded length. A longer one is skipped with an error, and reading
// goes on with the next.
type lines struct {
	in   *bufio.Reader
	most int // bytes of a line
	n    int // of the line that was read last
}

func newLines(in io.Reader, most int) *lines {
	return &lines{in: bufio.NewReaderSize(in, 64<<10), most: most}
}

// errLongLine is the error of a line that was skipped.
var errLongLine = errors.New("the line is too long")

// next returns the next line without its end; io.EOF after the last one.
func (l *lines) next() ([]byte, error) {
	l.n++
	var line []byte
	long := false
	for {
		piece, err := l.in.ReadSlice('\n')
		if long = long || len(line)+len(piece) > l.most; !long {
			line = append(line, piece...)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil && !errors.Is(err, io.EOF):
			return nil, err
		case long:
			return nil, fmt.Errorf("%w: at most %d bytes are read", errLongLine, l.most)
		case err != nil && len(line) == 0:
			return nil, io.EOF
		case l.n == 1:
			line = bytes.TrimPrefix(line, []byte("\ufeff")) // as some editors begin a file
		}
		return bytes.TrimRight(line, "\r\n"), nil
	}
}
