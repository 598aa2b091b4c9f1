package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"posthouse/bridge"
	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

type vetCmd struct {
	In        string        `placeholder:"LINK" help:"The link that the texts came in on; without it the mesh that lists the sender, else the first."`
	Via       string        `placeholder:"CALL" help:"A gateway has transmitted them, or handed them over on a trunk (--in)."`
	Hops      string        `placeholder:"CALLS" help:"The gateways that they have passed, separated by commas, or how many."`
	Age       time.Duration `placeholder:"25h" help:"How long ago they were written."`
	Sent      int           `placeholder:"N" help:"How many texts the sender has handed in within the time of POSTHOUSE_RATE."`
	Alarms    int           `placeholder:"N" help:"How many emergencies the sender has declared within ten minutes."`
	Encrypted bool          `help:"The mesh says that they were sent encrypted."`
	InTurn    bool          `help:"Count the lines as handed in one after the other: duplicates, rate, emergencies. A line's \"after\" is the time since the line before."`
	Live      bool          `help:"Ask the running gateway for its block list and exercise too."`
	Explain   bool          `help:"Say more of each text: precedence, marks, way, regulation."`
}

// vetLine is one message to be judged. The flags supply what it leaves out.
type vetLine struct {
	From       string             `json:"from"`
	To         string             `json:"to"`
	Text       string             `json:"text"`
	Subject    string             `json:"subject"`
	Link       string             `json:"link"`
	In         *string            `json:"in"`
	ID         string             `json:"id"`
	Precedence message.Precedence `json:"precedence"`
	Encrypted  *bool              `json:"encrypted"`
	Via        *string            `json:"via"`
	Hops       *hops              `json:"hops"`
	Age        *vetTime           `json:"age"`
	Sent       *int               `json:"sent"`
	Alarms     *int               `json:"alarms"`
	Known      bool               `json:"known"`
	After      vetTime            `json:"after"`
}

// vetAnswer is the verdict on it.
type vetAnswer struct {
	Verdict string   `json:"verdict"` // pass or refuse
	Rule    string   `json:"rule,omitempty"`
	Why     string   `json:"why,omitempty"`
	Parts   []string `json:"parts,omitempty"`
	*vetMore
}

// vetMore is what --explain adds.
type vetMore struct {
	Regulation string             `json:"regulation,omitempty"`
	Link       string             `json:"link,omitempty"`
	To         string             `json:"to,omitempty"`
	Precedence message.Precedence `json:"precedence,omitempty"`
	Claimed    message.Precedence `json:"claimed,omitempty"`
	Exercise   bool               `json:"exercise,omitempty"`
	ThirdParty bool               `json:"third_party,omitempty"`
	Station    string             `json:"station,omitempty"` // its name on the mesh's list
	May        []string           `json:"may,omitempty"`     // and what it may send
}

// maxVetLine bounds one line of input.
const maxVetLine = 1 << 20

// Run judges each line of standard input by the settings, or by the defaults if there are
// none.
func (c vetCmd) Run(s streams, environ env) error {
	judge, err := c.judge(environ)
	if err != nil {
		return err
	}
	in := newLines(s.in, maxVetLine)
	enc := json.NewEncoder(s.out)
	enc.SetEscapeHTML(false)
	var unreadable error
	for {
		line, err := in.next()
		switch {
		case errors.Is(err, io.EOF):
			return fail(exitData, unreadable)
		case err != nil && !errors.Is(err, errLongLine):
			return fail(exitData, fmt.Errorf("reading the messages: %w", err))
		case err == nil && len(bytes.TrimSpace(line)) == 0:
			continue
		}
		var answer vetAnswer
		if err == nil {
			answer, err = c.vet(judge, line)
		}
		if err != nil { // still one line out for each line in
			answer = vetAnswer{Verdict: "refuse", Rule: link.CodeNotText, Why: err.Error()}
			unreadable = fmt.Errorf("line %d: %w", in.n, err)
		}
		if err := enc.Encode(answer); err != nil {
			return fail(exitDisk, err)
		}
	}
}

// judge makes the judge that the flags ask for.
func (c vetCmd) judge(environ env) (*bridge.Judge, error) {
	switch {
	case c.Age < 0:
		return nil, fail(exitUsage, errors.New("--age lies in the future: write how long ago it was, such as 25h"))
	case c.Via != "":
		if _, err := callsign.ParseLong(c.Via); err != nil {
			return nil, fail(exitUsage, fmt.Errorf("--via %q: %w; write the call sign of a gateway", c.Via, err))
		}
	}
	cfg, _ := config.Load(environ, hooks())
	judge := bridge.NewJudge(cfg)
	if c.InTurn {
		judge.InTurn()
	}
	if _, err := readHops(c.Hops); err != nil {
		return nil, fail(exitUsage, err)
	}
	if !c.Live {
		return judge, nil
	}
	blocks, err := ask(environ, "blocks", struct{}{})
	if err != nil {
		return nil, err
	}
	for _, b := range blocks.Blocks {
		judge.Block = append(judge.Block, b.Pattern)
	}
	on, err := ask(environ, "exercise", struct{}{})
	if err != nil {
		return nil, err
	}
	if on.Exercise != nil {
		judge.Exercise = on.Exercise.Name
	}
	return judge, nil
}

func (c vetCmd) vet(judge *bridge.Judge, line []byte) (vetAnswer, error) {
	var l vetLine
	if err := json.Unmarshal(line, &l); err != nil {
		if wrong := new(json.UnmarshalTypeError); errors.As(err, &wrong) {
			err = fmt.Errorf("%s cannot be of the kind %q", cmp.Or(wrong.Field, "it"), wrong.Value)
		}
		return vetAnswer{}, fmt.Errorf(`not a message: %w; write {"from":"N0QRA-7","to":"N0QRB-9","text":"hello"}`, err)
	}
	if !utf8.Valid(line) {
		return vetAnswer{Verdict: "refuse", Rule: link.CodeNotText, Why: "not valid UTF-8"}, nil
	}
	j, err := judge.Vet(c.question(l))
	if err != nil {
		return vetAnswer{}, err
	}
	a := vetAnswer{Verdict: "pass", Why: j.Note, Parts: j.Parts}
	if j.Refusal != nil {
		a = vetAnswer{Verdict: "refuse", Rule: j.Refusal.Code, Why: j.Refusal.Why}
	}
	if c.Explain {
		a.vetMore = explain(j)
	}
	return a, nil
}

// question is a line, completed by the flags.
func (c vetCmd) question(l vetLine) bridge.Question {
	q := bridge.Question{From: l.From, To: l.To, Text: l.Text, Subject: l.Subject, Link: l.Link, ID: l.ID, Precedence: l.Precedence, Known: l.Known, After: time.Duration(l.After)}
	q.In, q.Via, q.Encrypted, q.Sent, q.Alarms = orFlag(l.In, c.In), orFlag(l.Via, c.Via), orFlag(l.Encrypted, c.Encrypted), orFlag(l.Sent, c.Sent), orFlag(l.Alarms, c.Alarms)
	q.Age = time.Duration(orFlag(l.Age, vetTime(c.Age)))
	byFlag, _ := readHops(c.Hops) // checked before
	q.Hops = orFlag(l.Hops, byFlag)
	return q
}

func orFlag[T any](line *T, flag T) T {
	if line != nil {
		return *line
	}
	return flag
}

func explain(j bridge.Judgement) *vetMore {
	more := &vetMore{Link: j.Link, To: j.To, Precedence: j.Precedence, Claimed: j.Claimed, Exercise: j.Exercise, ThirdParty: j.ThirdParty}
	if j.Refusal != nil {
		more.Regulation = j.Refusal.Regulation
	}
	if s := j.Station; s != nil {
		more.Station = s.Name
		for _, right := range []struct {
			name string
			has  bool
		}{{"text", s.Text}, {"mail", s.Mail}, {"position", s.Position}} {
			if right.has {
				more.May = append(more.May, right.name)
			}
		}
	}
	return more
}

// vetTime is a duration as Go writes it.
type vetTime time.Duration

func (w *vetTime) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(string(b))
	if err != nil || d < 0 {
		return fmt.Errorf("%q is no time: write 90s or 25h", b)
	}
	*w = vetTime(d)
	return nil
}

// hops are the gateways that a text has passed: a list of call signs, or how many.
type hops []string

// UnmarshalJSON reads ["N0QRX-10","N0QRY-10"] or 2.
func (h *hops) UnmarshalJSON(b []byte) error {
	var n int
	if json.Unmarshal(b, &n) == nil {
		list, err := unnamed(n)
		*h = list
		return err
	}
	return json.Unmarshal(b, (*[]string)(h))
}

// readHops reads the flag.
func readHops(s string) (hops, error) {
	if s == "" {
		return nil, nil
	}
	var n int
	if json.Unmarshal([]byte(s), &n) == nil {
		return unnamed(n)
	}
	return strings.Split(strings.ToUpper(s), ","), nil
}

// unnamed are so many gateways without names.
func unnamed(n int) (hops, error) {
	if n < 0 || n > 1000 {
		return nil, errors.New("hops: write 0 to 1000, or call signs")
	}
	return make(hops, n), nil
}
