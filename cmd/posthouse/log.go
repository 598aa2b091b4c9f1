package main

import (
	"encoding/csv"
	"time"

	"posthouse/adapters/web"
	"posthouse/bridge/desk"
	"posthouse/bridge/desk/report"
)

type logCmd struct {
	spanFlags
	Format string `enum:"text,csv,jsonl" default:"text" help:"text for people, csv for spreadsheets, jsonl for machines."`
}

// Run prints the station log: every message that was accepted in the span, and
// what became of it.
func (c logCmd) Run(s streams, environ env) error {
	span, err := c.span(time.Now())
	if err != nil {
		return err
	}
	out := newTable(s.out)
	defer out.flush()
	each, done := logText(out), out.flush
	switch c.Format {
	case "jsonl":
		each = func(l desk.Line) error { return out.json(l) }
	case "csv":
		each, done = logCSV(out)
	}
	if _, err = list(environ, "log", web.LogRequest{Span: span}, each); err != nil {
		return err
	}
	return done()
}

// logCSV writes lines as CSV (RFC 4180), with a line of names first.
func logCSV(out *table) (each func(desk.Line) error, done func() error) {
	w := csv.NewWriter(out.w)
	w.Write(report.Columns)
	each = func(l desk.Line) error { return w.Write(report.Cells(&l)) }
	done = func() error {
		w.Flush()
		if err := w.Error(); err != nil {
			return err
		}
		return out.flush()
	}
	return each, done
}

// logText prints lines for people, under the day that they belong to.
func logText(out *table) func(desk.Line) error {
	day := ""
	return func(l desk.Line) error {
		if d := l.Accepted.Day(); d != day {
			day = d
			out.line("%s", day)
		}
		took := "-"
		if l.Seconds != nil {
			took = desk.Brief(seconds(*l.Seconds))
		}
		out.line("%-10s %6s %-9s %-9s %6s %s", l.Accepted.Clock(), number(l.ID), what(l.Head), l.Result, took, clip(l.From+" > "+l.To, width-45))
		return out.line("%18s%s", "", clip(way(l)+textOf(l.Head), width-18))
	}
}

// way says in a few words by which links a message went, or why it did not.
func way(l desk.Line) string {
	in := l.In
	if in == "" {
		in = "own"
	}
	if l.Code != "" {
		return in + " > " + l.Code + ": " + l.Why
	}
	if l.Why != "" {
		return in + " > " + l.Why
	}
	return in + " > " + report.Ways(&l)
}
