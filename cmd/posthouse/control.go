package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"posthouse/adapters/web"
	"posthouse/bridge/config"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

// ask sends a command to the running daemon.
func ask(environ env, command string, request any) (web.Answer, error) {
	a, err := web.Ask(context.Background(), dataDir(environ), command, request)
	return a, failed(err)
}

// list asks the running daemon for a list, and calls each with its rows.
func list[T any](environ env, command string, request any, each func(T) error) (web.End, error) {
	end, err := web.List(context.Background(), dataDir(environ), command, request, each)
	return end, failed(err)
}

// failed adds the exit code to an error of the daemon, or to that it did not answer.
func failed(err error) error {
	var known *failure
	switch {
	case err == nil || errors.As(err, &known):
		return err
	case errors.Is(err, web.ErrUnreachable):
		return fail(exitUnavailable, err)
	case errors.Is(err, web.ErrRefused), errors.Is(err, web.ErrUnknown):
		return fail(exitData, err)
	case errors.Is(err, web.ErrRequest):
		return fail(exitUsage, err)
	}
	return fail(exitDisk, err)
}

// dataDir is the data folder in force: the only setting that a command for the daemon needs.
func dataDir(environ env) string {
	cfg, _ := config.Load(environ, config.Hooks{})
	return cfg.DataDir
}

type sendCmd struct {
	To         string `required:"" placeholder:"WHO" help:"A call sign, a group, an alias or a mail address."`
	Text       string `required:"" placeholder:"TEXT" help:"The text; - reads it from standard input."`
	Precedence string `placeholder:"routine" help:"emergency, priority, welfare or routine."`
}

// Run gives a text to the daemon and prints its id.
func (c sendCmd) Run(s streams, environ env) error {
	q := desk.Draft{To: c.To, Text: c.Text}
	if c.Precedence != "" {
		var err error
		if q.Precedence, err = message.ParsePrecedence(c.Precedence); err != nil {
			return fail(exitUsage, err)
		}
	}
	if c.Text == "-" {
		b, err := io.ReadAll(io.LimitReader(s.in, 64<<10))
		if err != nil {
			return fail(exitData, fmt.Errorf("reading the text: %w", err))
		}
		q.Text = string(b)
	}
	if !utf8.ValidString(q.Text) { // JSON would silently change it
		return fail(exitData, errors.New("the text is not UTF-8: let 'iconv -t utf-8' convert it"))
	}
	a, err := ask(environ, "send", q)
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, a.ID)
	return nil
}

type quietCmd struct {
	Link string `arg:"" help:"A link's name, or all."`
}

// Run stops sending.
func (c quietCmd) Run(s streams, environ env) error {
	a, err := ask(environ, "quiet", web.LinkRequest{Link: c.Link})
	if err == nil {
		fmt.Fprintln(s.out, "quiet:", strings.Join(a.Quiet, ", "))
	}
	return err
}

type resumeCmd struct {
	Link string `arg:"" help:"A link's name, or all."`
}

// Run resumes sending.
func (c resumeCmd) Run(s streams, environ env) error {
	a, err := ask(environ, "resume", web.LinkRequest{Link: c.Link})
	if err != nil {
		return err
	}
	if len(a.Quiet) > 0 {
		fmt.Fprintln(s.out, "sending goes on; still quiet:", strings.Join(a.Quiet, ", "))
		return nil
	}
	fmt.Fprintln(s.out, "sending goes on")
	return nil
}

type blockCmd struct {
	Who string `arg:"" help:"A call sign or mail address, * for anything; or list."`
	Why string `help:"The reason, for the log."`
}

// Run blocks somebody, or lists who is blocked.
func (c blockCmd) Run(s streams, environ env) error {
	if c.Who != "list" {
		_, err := ask(environ, "block", web.BlockRequest{Pattern: c.Who, Why: c.Why})
		if err == nil {
			fmt.Fprintln(s.out, "blocked:", c.Who)
		}
		if err == nil && strings.EqualFold(c.Who, "all") {
			fmt.Fprintln(s.out, "That is the group ALL, and nobody else. To stop all sending say 'posthouse quiet all'.")
		}
		return err
	}
	a, err := ask(environ, "blocks", struct{}{})
	if err != nil {
		return err
	}
	out := newTable(s.out)
	for _, b := range a.Blocks {
		out.wrap(fmt.Sprintf("%-24s %-20s ", b.Pattern, b.Since), b.Why)
	}
	return out.flush()
}

type unblockCmd struct {
	Who string `arg:"" help:"The entry as 'block list' shows it."`
}

// Run takes an entry off the block list.
func (c unblockCmd) Run(s streams, environ env) error {
	_, err := ask(environ, "unblock", web.BlockRequest{Pattern: c.Who})
	if err == nil {
		fmt.Fprintln(s.out, "unblocked:", c.Who)
	}
	return err
}
