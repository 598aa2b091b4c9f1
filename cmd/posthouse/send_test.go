package main

import (
	"bytes"
	"strings"
	"testing"
)

// A text in another charset is never sent with other characters in place of what
// was meant.
func TestSendTakesUTF8Only(t *testing.T) {
	for text, want := range map[string]int{"gr\xfc\xdfe": exitUsage, "-": exitData} {
		var out, said bytes.Buffer
		code := run([]string{"send", "--to", "ALL", "--text", text}, streams{strings.NewReader("gr\xfc\xdfe"), &out, &said}, nil)
		if code != want || !strings.Contains(said.String(), "not UTF-8") {
			t.Errorf("%q: exit code %d, %q", text, code, said.String())
		}
	}
}
