package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"unicode/utf8"

	"posthouse/bridge"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

type vetCmd struct{}

// vetLine is one message to be judged.
type vetLine struct {
	From string `json:"from"`
	To   string `json:"to"`
	Text string `json:"text"`
	Link string `json:"link,omitempty"`
}

// vetAnswer is what is said of it.
type vetAnswer struct {
	Verdict string   `json:"verdict"` // pass or refuse
	Rule    string   `json:"rule,omitempty"`
	Why     string   `json:"why,omitempty"`
	Parts   []string `json:"parts,omitempty"`
}

// maxVetLine bounds one line of input.
const maxVetLine = 1 << 20

// Run judges each line of standard input by the settings in force; without any,
// by the defaults.
func (vetCmd) Run(s streams, environ env) error {
	cfg, _ := config.Load(environ, hooks())
	judge := bridge.NewJudge(cfg)
	in := bufio.NewScanner(s.in)
	in.Buffer(make([]byte, 64<<10), maxVetLine)
	enc := json.NewEncoder(s.out)
	enc.SetEscapeHTML(false)
	var unreadable error
	for n := 1; in.Scan(); n++ {
		if len(bytes.TrimSpace(in.Bytes())) == 0 {
			continue
		}
		answer, err := vet(judge, in.Bytes())
		if err != nil { // still one line out for each line in
			answer = vetAnswer{Verdict: "refuse", Rule: link.CodeNotText, Why: err.Error()}
			unreadable = fmt.Errorf("line %d: %w", n, err)
		}
		if err := enc.Encode(answer); err != nil {
			return fail(exitDisk, err)
		}
	}
	if err := in.Err(); err != nil {
		return fail(exitData, fmt.Errorf("reading the messages: %w", err))
	}
	return fail(exitData, unreadable)
}

func vet(judge *bridge.Judge, line []byte) (vetAnswer, error) {
	var q vetLine
	if err := json.Unmarshal(line, &q); err != nil {
		return vetAnswer{}, fmt.Errorf(`not a message: %w; write {"from":"N0QRA-7","to":"N0QRB-9","text":"hello"}`, err)
	}
	if !utf8.Valid(line) {
		return vetAnswer{Verdict: "refuse", Rule: link.CodeNotText, Why: "not valid UTF-8"}, nil
	}
	j, err := judge.Vet(q.From, q.To, q.Text, q.Link)
	switch {
	case err != nil:
		return vetAnswer{}, err
	case j.Refusal != nil:
		return vetAnswer{Verdict: "refuse", Rule: j.Refusal.Code, Why: j.Refusal.Why}, nil
	}
	return vetAnswer{Verdict: "pass", Why: j.Note, Parts: j.Parts}, nil
}
