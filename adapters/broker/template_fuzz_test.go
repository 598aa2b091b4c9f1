package broker

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"posthouse/bridge/message"
)

// FuzzTemplate: a template that passes its check makes what the check promises
// of any text: the gateway's call sign is in it, and JSON stays JSON.
func FuzzTemplate(f *testing.F) {
	for _, s := range []string{
		`{"from":{{json .From}},"to":{{json .To}},"text":{{json .Text}},"via":{{json .Via}}}`, `{{.Via}} {{.To}}: {{.Text}}`, `{"text":"{{.Text}}"}`,
		`{{if eq .Kind "text"}}{"t":{{json .Text}},"v":{{json .Via}}}{{end}}`, `{{range .}}`, `{{json .Text}`, `{{.Nobody}}`,
	} {
		f.Add(s, "hello")
	}
	f.Fuzz(func(t *testing.T, text, words string) {
		if strings.Contains(text, "range") || strings.Contains(text, "template") || strings.Contains(text, "printf") {
			t.Skip("an operator may write a loop that has no end, and has it")
		}
		made, isJSON, err := readTemplate(text)
		if err != nil || made == nil {
			return
		}
		if strings.Contains(text, "if") || strings.Contains(text, "with") {
			t.Skip("what hangs on one certain text is not tried")
		}
		var b bytes.Buffer
		if err := made.Execute(&b, sample(message.Text, words)); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		if !strings.Contains(b.String(), sampleCall) {
			t.Fatalf("%q left the call sign out: %q", text, b.String())
		}
		if isJSON && !json.Valid(b.Bytes()) {
			t.Fatalf("%q made %q of %q", text, b.String(), words)
		}
	})
}
