package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"time"

	"posthouse/adapters/web"
	"posthouse/bridge/desk"
	"posthouse/bridge/desk/report"
)

type reportCmd struct {
	spanFlags
	Format string `enum:"html,csv,json" default:"html" help:"html: one page to mail and print; csv: the messages; json: everything."`
	Out    string `placeholder:"FILE" help:"Where to write it; default standard output."`
}

// reportTime is the span of a report for which none was said.
const reportTime = 24 * time.Hour

// Run writes the report on a span.
func (c reportCmd) Run(s streams, environ env) error {
	now := time.Now()
	span, err := c.span(now)
	if err != nil {
		return err
	}
	if span.Until.IsZero() {
		span.Until = now.UTC().Truncate(time.Second).Add(time.Second)
	}
	if span.Since.IsZero() {
		span.Since = span.Until.Add(-reportTime)
	}
	lines, err := collect(environ, span)
	defer lines.close()
	if err != nil {
		return err
	}
	if c.Out == "" {
		return c.write(s.out, lines, span, now)
	}
	return fail(exitDisk, writeFile(c.Out, func(w io.Writer) error { return c.write(w, lines, span, now) }))
}

// write writes the report in its format.
func (c reportCmd) write(w io.Writer, lines *spool, span desk.Span, now time.Time) (err error) {
	sum := lines.tally.Summary(lines.station, span, now)
	switch c.Format {
	case "csv":
		out := newTable(w)
		each, done := logCSV(out)
		for l := range lines.all() {
			if err = each(l); err != nil {
				return err
			}
		}
		err = done()
	case "json":
		err = writeJSON(w, sum, lines.all())
	default:
		err = report.HTML(w, sum, lines.all())
	}
	return errors.Join(err, lines.err)
}

// writeJSON writes one object with the summary and all messages, one a line.
func writeJSON(w io.Writer, sum report.Summary, lines iter.Seq[desk.Line]) error {
	b, err := json.MarshalIndent(sum, "  ", "  ")
	if err != nil {
		return err
	}
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "{\n  \"summary\": %s,\n  \"messages\": [", b)
	comma := ""
	for l := range lines {
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

// spool keeps the lines of a report in a file: a page needs its counts before
// its messages, and a year of messages does not fit into memory.
type spool struct {
	file    *os.File
	tally   *report.Tally
	station string
	err     error // of reading it
}

// collect reads the log of a span from the daemon, once, and counts it.
// The spool is to be closed, also after an error.
func collect(environ env, span desk.Span) (s *spool, err error) {
	s = &spool{tally: report.NewTally()}
	if s.file, err = os.CreateTemp("", "posthouse-report-"); err != nil {
		return s, fail(exitDisk, fmt.Errorf("keeping the log for the report: %w", err))
	}
	w := bufio.NewWriter(s.file)
	out := json.NewEncoder(w)
	end, err := list(environ, "log", web.LogRequest{Span: span, Steps: true}, func(l desk.Line) error {
		s.tally.Add(&l)
		return fail(exitDisk, out.Encode(l))
	})
	if err != nil {
		return s, err
	}
	s.station = end.Station
	return s, fail(exitDisk, w.Flush())
}

// all gives the lines from the first.
func (s *spool) all() iter.Seq[desk.Line] {
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

func (s *spool) close() {
	if s.file != nil {
		s.file.Close()
		os.Remove(s.file.Name())
	}
}

// writeFile writes a file in one step: it is there whole, or as it was before.
func writeFile(name string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-")
	if err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", name, err)
	}
	return os.Rename(f.Name(), name)
}
