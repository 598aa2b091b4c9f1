package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
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

// reportTime is the default span of a report.
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
	lines, err := report.NewSpool()
	if err != nil {
		return fail(exitDisk, err)
	}
	defer lines.Close()
	end, err := list(environ, "log", web.LogRequest{Span: span, Steps: true}, func(l desk.Line) error { return fail(exitDisk, lines.Add(l)) })
	if err != nil {
		return err
	}
	write := func(w io.Writer) error { return lines.Write(w, c.Format, end.Station, span, now) }
	if c.Out == "" || c.Out == "-" {
		return write(s.out)
	}
	return fail(exitDisk, byShell(writeFile(c.Out, write)))
}

// byShell says what to do where the gateway's user, as whom 'ph' runs, may not write.
func byShell(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%w: write > FILE in place of --out FILE, then your shell writes it", err)
	}
	return err
}

// writeFile replaces a file atomically. It writes into a pipe or device, though: /dev/stdout
// must not become a file.
func writeFile(name string, write func(io.Writer) error) (err error) {
	if st, err := os.Stat(name); err == nil && !st.Mode().IsRegular() {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(write(f), f.Close())
	}
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
