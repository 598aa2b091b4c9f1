package deploy_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// The commands of the contract; those of two words have subcommands.
func TestManPageShowsEachCommand(t *testing.T) {
	needs(t, "bash")
	page := command(t, "./manpage", posthouse(t, t.TempDir()), "1.0", "2026-01-02")
	for _, name := range []string{"run", "check", "init", "demo", "send", "queue list", "queue move", "quiet", "resume", "block", "unblock",
		"stations", "log", "report", "vet", "airtime", "key", "exercise start", "exercise stop", "completion", "version"} {
		if !strings.Contains(page, "\n.SS posthouse "+name+"\n.nf\nUsage: posthouse "+name) {
			t.Errorf("nothing about posthouse %s", name)
		}
	}
	if strings.Contains(page, "context") {
		t.Error("the flag --help of every command is on the page")
	}
	groff, err := exec.LookPath("groff")
	if err != nil {
		t.Log("groff is not installed, so nobody says whether the page is well formed")
		return
	}
	c := exec.Command(groff, "-man", "-ww", "-Tutf8", "-z")
	c.Env = append(os.Environ(), "LC_ALL=C")
	c.Stdin = strings.NewReader(page)
	if said := succeed(t, c); said != "" {
		t.Errorf("groff says:\n%s", said)
	}
}
