package main

import (
	"bytes"
	"os/exec"
	"strings"
	"testing"
)

// What bash offers for a line, as its own completion would call the script.
func TestCompletionInBash(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip("there is no bash")
	}
	var script, log bytes.Buffer
	if code := run([]string{"completion"}, streams{strings.NewReader(""), &script, &log}, nil); code != 0 {
		t.Fatalf("exit code %d: %s", code, &log)
	}
	for _, c := range []struct{ line, want string }{
		{"qu", "quiet queue"},
		{"queue ", "list show hold release retry drop move --help"},
		{"queue m", "move"},
		{"queue list --", "--help --most --json"},
		{"report --format ", "html csv json"},
		{"report --format c", "csv"},
		{"exercise st", "start stop"},
		{"check --c", "--connect"},
		{"send --to N0QRA-7 --pre", "--precedence"},
		{"nothing of the kind -", "--help"},
	} {
		program := script.String() + `
COMP_WORDS=(posthouse "$@"); COMP_CWORD=$#
_posthouse
echo "${COMPREPLY[*]}"`
		cmd := exec.Command(bash, append([]string{"-c", program, "bash"}, strings.Split(c.line, " ")...)...)
		out, err := cmd.CombinedOutput()
		if got := strings.TrimSpace(string(out)); err != nil || !sameWords(got, c.want) {
			t.Errorf("posthouse %s: bash offers %q, want %q (%v)", c.line, got, c.want, err)
		}
	}
}

func sameWords(a, b string) bool {
	x, y := map[string]bool{}, map[string]bool{}
	for _, w := range strings.Fields(a) {
		x[w] = true
	}
	for _, w := range strings.Fields(b) {
		y[w] = true
		if !x[w] {
			return false
		}
	}
	return len(x) == len(y)
}
