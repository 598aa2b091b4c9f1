package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"posthouse/adapters/web"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
)

type queueCmd struct {
	List    queueListCmd `cmd:"" help:"What waits, the most urgent first."`
	Show    queueShowCmd `cmd:"" help:"A message's whole way."`
	Hold    holdCmd      `cmd:"" help:"Hold a message until release; its lifetime goes on."`
	Release releaseCmd   `cmd:"" help:"Let a held message go on."`
	Retry   retryCmd     `cmd:"" help:"Try a message now, whatever it waits for."`
	Drop    dropCmd      `cmd:"" help:"End a message; its writer is told."`
	Move    queueMoveCmd `cmd:"" help:"Send a message by another link."`
}

type queueListCmd struct {
	Most int  `default:"100" help:"How many to show; 0: all."`
	JSON bool `name:"json" help:"One JSON object a line, all of them unless --most is given."`
}

// Run lists what waits.
func (c queueListCmd) Run(s streams, environ env) error {
	q := web.QueueRequest{Most: c.Most}
	if c.JSON && c.Most == 100 {
		q.Most = 0
	}
	out := newTable(s.out)
	defer out.flush()
	shown := 0
	end, err := list(environ, "queue", q, func(r desk.Row) error {
		if c.JSON {
			return out.json(r)
		}
		shown++
		return printRow(out, r, shown == 1)
	})
	if err != nil || c.JSON {
		return err
	}
	switch {
	case shown == 0:
		out.line("Nothing waits.")
	case end.Waiting > shown:
		out.line("and %d more; --most 0 shows all", end.Waiting-shown)
	}
	return out.flush()
}

// printRow prints what waits in two lines, the figures and the reason, below the
// names of the columns if it is the first.
func printRow(out *table, r desk.Row, first bool) error {
	const columns = "%6s %-9s %-8s %-7s %6s %7s %s"
	if first {
		out.line(columns, "NO", "WHAT", "LINK", "STATE", "WAITED", "SENT IN", "FROM > TO")
	}
	expected := "-"
	switch {
	case r.Never:
		expected = "never"
	case r.Expected != nil:
		expected = "~" + desk.Brief(seconds(*r.Expected))
	}
	link := r.Link
	if link == "" {
		link = "-"
	}
	out.line(columns, number(r.ID), what(r.Head), clip(link, 8), r.State,
		desk.Brief(seconds(r.Waited)), expected, clip(r.From+" > "+addressee(r), 29))
	return out.line("       %s", clip(r.Why+textOf(r.Head), width-7))
}

func addressee(r desk.Row) string {
	if r.Station != "" {
		return r.Station
	}
	return r.To
}

// what is a message's kind in a word; for a text its precedence.
func what(h desk.Head) string {
	if h.Kind == message.Text {
		return h.Precedence.String()
	}
	return string(h.Kind)
}

func textOf(h desk.Head) string {
	if h.Text == "" {
		return ""
	}
	return `: "` + h.Text + `"`
}

// number is the short form of an id, which every command accepts, too; a refused message
// has none.
func number(id string) string {
	if id == "" {
		return "-"
	}
	return id[strings.LastIndexByte(id, '.')+1:]
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

type queueShowCmd struct {
	ID   string `arg:"" help:"The message's id: N0QRZ-10.123, or just 123."`
	JSON bool   `name:"json" help:"As JSON."`
}

// Run prints a message's whole history.
func (c queueShowCmd) Run(s streams, environ env) error {
	a, err := ask(environ, "show", web.MessageRequest{ID: c.ID})
	if err != nil {
		return err
	}
	if a.Story == nil {
		return errors.New("the daemon's answer has no message; is it of another version?")
	}
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		return e.Encode(a.Story)
	}
	out := newTable(s.out)
	printStory(out, a.Story)
	return out.flush()
}

// printStory prints a message: its text, its state, and everything that happened, in UTC.
func printStory(out *table, st *desk.Story) {
	out.wrap("", st.ID+": "+what(st.Head)+", "+result(&st.Line))
	out.field("from", st.From+claimed(st.Head))
	to := st.To
	if st.Written != "" {
		to += " (written to " + st.Written + ")"
	}
	out.field("to", to)
	out.field("in on", inOn(st))
	if !st.Filed.IsZero() {
		out.field("filed", st.Filed.UTC().Format("2006-01-02 15:04:05Z"))
	}
	if !st.Expires.IsZero() {
		out.field("until", st.Expires.String())
	}
	out.field("exercise", st.Exercise)
	out.field("about", st.About)
	out.field("subject", st.Subject)
	out.field("text", st.Text)
	for _, w := range st.Ways {
		out.field("way", wayLine(w))
	}
	for _, t := range st.Told {
		out.field("told", toldLine(t))
	}
	out.line("")
	day := ""
	for _, step := range st.Steps {
		if d := step.At.Day(); d != day {
			day = d
			out.line("%s", day)
		}
		note := step.Note
		if step.Link != "" {
			note = strings.TrimSuffix(step.Link+": "+note, ": ")
		}
		out.wrap(fmt.Sprintf("  %-10s %-11s ", step.At.Clock(), step.What), note)
	}
}

func result(l *desk.Line) string {
	if l.Seconds != nil {
		return l.Result + " after " + desk.Brief(seconds(*l.Seconds))
	}
	if l.Why != "" {
		return l.Result + " (" + l.Why + ")"
	}
	return l.Result
}

func claimed(h desk.Head) string {
	if h.Claimed == message.Unset {
		return ""
	}
	return " (asked for " + h.Claimed.String() + ")"
}

func inOn(st *desk.Story) string {
	in := st.In
	if in == "" {
		in = "the gateway's own"
		if st.Operator != "" {
			in += ", written by " + st.Operator
		}
	}
	if st.SNR != nil {
		in += fmt.Sprintf(", SNR %.1f dB", *st.SNR)
	}
	if st.RSSI != nil {
		in += fmt.Sprintf(", RSSI %.0f dBm", *st.RSSI)
	}
	if st.OriginID != "" {
		in += ", id " + st.OriginID + " there"
	}
	if len(st.Hops) > 0 {
		in += ", over " + strings.Join(st.Hops, ", ")
	}
	return in
}

func wayLine(w desk.Way) string {
	s := w.Link
	if s == "" {
		s = "no link yet"
	}
	s += " to " + w.Station
	if w.Gateway != "" {
		s += " by " + w.Gateway
	}
	s += ": " + w.State
	if w.Tries > 0 {
		s += ", tried " + times(w.Tries)
	}
	if w.Parts > 1 {
		s += fmt.Sprintf(", %d of %d parts acknowledged", w.Acked, w.Parts)
	}
	if w.Why != "" {
		s += "; " + w.Why
	}
	if !w.Due.IsZero() {
		s += "; next look " + w.Due.Clock()
	}
	return s
}

func toldLine(t desk.Told) string {
	s := fmt.Sprintf("%s by %s %s", t.To, t.Kind, number(t.ID))
	if t.Gateway != "" {
		s += " to " + t.Gateway
	}
	s += ": " + t.Result
	if !t.Ended.IsZero() {
		s += " " + t.Ended.String()
	}
	if t.Why != "" {
		s += "; " + t.Why
	}
	return s
}

// times is how often something was done.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// The orders differ in a word only.
type (
	messageArg struct {
		ID string `arg:"" help:"The message's id: N0QRZ-10.123, or just 123."`
	}
	messagesArg struct {
		ID string `arg:"" help:"The message's id: N0QRZ-10.123, or just 123; restored: all that a restore has held."`
	}
	holdCmd      struct{ messageArg }
	releaseCmd   struct{ messagesArg }
	retryCmd     struct{ messageArg }
	dropCmd      struct{ messagesArg }
	queueMoveCmd struct {
		messageArg
		Link string `arg:"" help:"The link to send it by."`
	}
)

// Run holds a message.
func (c holdCmd) Run(s streams, environ env) error {
	return order(s.out, environ, desk.Order{Do: desk.Hold, ID: c.ID})
}

// Run releases a message.
func (c releaseCmd) Run(s streams, environ env) error {
	return order(s.out, environ, desk.Order{Do: desk.Release, ID: c.ID})
}

// Run tries a message now.
func (c retryCmd) Run(s streams, environ env) error {
	return order(s.out, environ, desk.Order{Do: desk.Retry, ID: c.ID})
}

// Run drops a message.
func (c dropCmd) Run(s streams, environ env) error {
	return order(s.out, environ, desk.Order{Do: desk.Drop, ID: c.ID})
}

// Run moves a message to another link.
func (c queueMoveCmd) Run(s streams, environ env) error {
	return order(s.out, environ, desk.Order{Do: desk.Move, ID: c.ID, Link: c.Link})
}

// order sends an order about a message to the daemon, and prints the new state.
func order(w io.Writer, environ env, o desk.Order) error {
	a, err := ask(environ, "order", o)
	if err != nil {
		return err
	}
	if a.Messages != nil {
		fmt.Fprintf(w, "%s: %d restored messages\n", o.Do, *a.Messages)
	}
	if a.Story != nil {
		fmt.Fprintf(w, "%s: %s\n", a.Story.ID, plain(result(&a.Story.Line)))
	}
	return nil
}
