// Command posthouse is a store-and-forward message bridge for amateur radio: it
// carries short texts between meshes, APRS-IS and mail through a queue on disk, and
// tells each writer the outcome.
package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"github.com/alecthomas/kong"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
)

func main() {
	os.Exit(run(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}, os.Environ()))
}

// streams are what a command reads and writes.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// commands is the command line, a struct for each command in its own file.
type commands struct {
	Run        runCmd        `cmd:"" help:"Run the gateway. It is set up by POSTHOUSE_ variables only."`
	Check      checkCmd      `cmd:"" help:"Check the settings and show what is in force, secrets hidden."`
	Init       initCmd       `cmd:"" help:"Print a complete, commented environment file."`
	Demo       demoCmd       `cmd:"" help:"Show the whole job on this machine, with nothing installed."`
	Send       sendCmd       `cmd:"" help:"Send a message as the operator, and print its id."`
	Quiet      quietCmd      `cmd:"" help:"Stop all sending on a link, or on all, at once; receiving goes on."`
	Resume     resumeCmd     `cmd:"" help:"Undo quiet."`
	Block      blockCmd      `cmd:"" help:"Refuse a call sign or mail address from now on; 'block list' shows them."`
	Unblock    unblockCmd    `cmd:"" help:"Take a call sign or mail address off the block list."`
	Queue      queueCmd      `cmd:"" help:"What waits, and what to do with it: list, show, hold, release, retry, drop, move."`
	Stations   stationsCmd   `cmd:"" help:"Who was heard, on which link, when, how well."`
	Log        logCmd        `cmd:"" help:"The station log: every message, and what became of it."`
	Report     reportCmd     `cmd:"" help:"A report on a span of time, after an exercise: what arrived, when, and what did not."`
	Backup     backupCmd     `cmd:"" help:"Write a copy of queue, keys, trust and settings into one file, while the gateway runs."`
	Restore    restoreCmd    `cmd:"" help:"Bring a backup back, with the gateway stopped; what was open is held for you."`
	Exercise   exerciseCmd   `cmd:"" help:"Start and stop an exercise, without a restart."`
	Vet        vetCmd        `cmd:"" help:"Judge messages without sending them: JSON lines in, one JSON line out each."`
	Airtime    airtimeCmd    `cmd:"" help:"Compute LoRa time on air, bit rate, and messages an hour."`
	Key        keyCmd        `cmd:"" help:"Make a signing key for trunks, and print the line for the trust files of the others."`
	Completion completionCmd `cmd:"" help:"Print a script that completes commands in bash."`
	Version    versionCmd    `cmd:"" help:"Print version, commit and Go version."`
}

// Exit codes, as in sysexits(3).
const (
	exitUsage       = 64
	exitData        = 65
	exitUnavailable = 69
	exitSoftware    = 70
	exitDisk        = 74
	exitConfig      = 78
)

// failure is an error with the exit code that it leads to.
type failure struct {
	code int
	err  error
}

func (f *failure) Error() string { return f.err.Error() }
func (f *failure) Unwrap() error { return f.err }

// fail wraps an error with its exit code; nil stays nil.
func fail(code int, err error) error {
	if err == nil {
		return nil
	}
	return &failure{code, err}
}

// run runs one command line and returns the exit code.
func run(args []string, s streams, environ []string) (code int) {
	var cli commands
	out := &output{Writer: s.out}
	s.out = out
	parser, err := kong.New(&cli,
		kong.Name("posthouse"),
		kong.Description("A store-and-forward message bridge for amateur radio: meshes, APRS-IS and mail."),
		kong.Writers(s.out, s.err),
		kong.Exit(func(c int) { panic(exiting(c)) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.WithHyphenPrefixedParameters(true), // a text may begin with one: "-5 degrees"
		kong.Bind(s, env(environ)),
	)
	if err != nil {
		fmt.Fprintln(s.err, "posthouse:", err)
		return exitSoftware
	}
	defer func() { // --help exits by a panic, for the tests
		switch p := recover().(type) {
		case nil:
		case exiting:
			code = int(p)
		default:
			panic(p)
		}
	}()
	if len(args) == 0 {
		args = []string{"--help"}
	}
	for _, arg := range args {
		if !utf8.ValidString(arg) { // kong would silently replace characters
			fmt.Fprintf(s.err, "posthouse: %q is not UTF-8: set the terminal to it\n", arg)
			return exitUsage
		}
	}
	ctx, err := parser.Parse(args)
	if err == nil {
		err = twice(ctx)
	}
	if err != nil {
		return misused(s.err, ctx, err)
	}
	callsign.Use(config.Calls(environ))
	return complain(s.err, out.verdict(ctx.Run()))
}

// misused says what is wrong with a command line and how the command is written, as far
// as one is named, and returns the exit code.
func misused(w io.Writer, ctx *kong.Context, err error) int {
	fmt.Fprintf(w, "posthouse: %v\n", err)
	if wrong, ok := errors.AsType[*kong.ParseError](err); ok {
		ctx = wrong.Context
	}
	help := "posthouse"
	if command := ctx.Selected(); command != nil {
		fmt.Fprintf(w, "Write: posthouse %s\n", command.Summary())
		help = command.FullPath()
	}
	fmt.Fprintf(w, "Try '%s --help'.\n", help)
	return exitUsage
}

// twice returns an error if a flag is given twice: of two addressees the parser would
// silently take the last one.
func twice(ctx *kong.Context) error {
	seen := make(map[*kong.Flag]bool)
	for _, p := range ctx.Path {
		if p.Flag == nil || p.Resolved {
			continue
		}
		if seen[p.Flag] {
			return fmt.Errorf("--%s is given twice", p.Flag.Name)
		}
		seen[p.Flag] = true
	}
	return nil
}

// env is the process's environment.
type env []string

// get returns a variable's value; empty: it is not set.
func (e env) get(name string) string {
	for _, entry := range e {
		if v, ok := strings.CutPrefix(entry, name+"="); ok {
			return v
		}
	}
	return ""
}

// exiting carries kong's exit code through a panic.
type exiting int

// complain writes an error for a person, and returns the exit code.
func complain(w io.Writer, err error) int {
	if err == nil {
		return 0
	}
	var f *failure
	if !errors.As(err, &f) {
		f = &failure{exitSoftware, err}
	}
	if f.err.Error() != "" {
		fmt.Fprintln(w, "posthouse:", f.err)
	}
	return f.code
}
