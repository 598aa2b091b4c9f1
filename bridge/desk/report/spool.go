package report

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"time"

	"posthouse/bridge/desk"
)

// The forms of a report.
const (
	AsHTML = "html" // one page to mail and print
	AsCSV  = "csv"  // the messages, for a spreadsheet
	AsJSON = "json" // everything, for machines
)

// Spool keeps the lines of a report in a file, and counts them: a page needs its
// counts before its messages, and a year of messages does not fit into memory.
type Spool struct {
	file  *os.File
	out   *bufio.Writer
	tally *Tally
	err   error // of reading it
}

// NewSpool makes a spool in the folder for temporary files. It is to be closed.
func NewSpool() (*Spool, error) {
	f, err := os.CreateTemp("", "posthouse-report-")
	if err != nil {
		return nil, fmt.Errorf("keeping the log for the report: %w", err)
	}
	return &Spool{file: f, out: bufio.NewWriter(f), tally: NewTally()}, nil
}

// Add takes the next line.
func (s *Spool) Add(l desk.Line) error {
	s.tally.Add(&l)
	return json.NewEncoder(s.out).Encode(l)
}

// Close throws it away.
func (s *Spool) Close() error {
	return errors.Join(s.file.Close(), os.Remove(s.file.Name()))
}

// Write writes the report of a span in a form; station is the gateway's call
// sign, made the time of the report.
func (s *Spool) Write(w io.Writer, form, station string, span desk.Span, made time.Time) (err error) {
	if err := s.out.Flush(); err != nil {
		return fmt.Errorf("keeping the log for the report: %w", err)
	}
	sum := s.tally.Summary(station, span, made)
	switch form {
	case AsCSV:
		err = s.csv(w)
	case AsJSON:
		err = s.json(w, sum)
	default:
		err = HTML(w, sum, s.all())
	}
	return errors.Join(err, s.err)
}

// all gives the lines from the first.
func (s *Spool) all() iter.Seq[desk.Line] {
	return func(yield func(desk.Line) bool) {
		if _, s.err = s.file.Seek(0, io.SeekStart); s.err != nil {
			return
		}
		in := json.NewDecoder(bufio.NewReader(s.file))
		for in.More() {
			var l desk.Line
			if s.err = in.Decode(&l); s.err != nil || !yield(l) {
				return
			}
		}
	}
}

// csv writes the lines as CSV (RFC 4180), with a line of names first.
func (s *Spool) csv(w io.Writer) error {
	out := csv.NewWriter(w)
	out.Write(Columns) // an error stays until Flush
	for l := range s.all() {
		if err := out.Write(Cells(&l)); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// json writes one object with the summary and all messages, one a line.
func (s *Spool) json(w io.Writer, sum Summary) error {
	b, err := json.MarshalIndent(sum, "  ", "  ")
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "{\n  \"summary\": %s,\n  \"messages\": [", b)
	comma := ""
	for l := range s.all() {
		b, err := json.Marshal(l)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%s\n    %s", comma, b)
		comma = ","
	}
	fmt.Fprint(out, "\n  ]\n}\n")
	return out.Flush()
}
