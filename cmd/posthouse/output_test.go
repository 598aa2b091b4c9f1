package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

// What a command says may be all that is left of what it did, and a script goes by
// its exit code.
func TestACommandWhoseWordsGoNowhereFails(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	settings := []string{"POSTHOUSE_CALLSIGN=N0QRZ-10", "POSTHOUSE_LINKS=valley", "POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_BROKER_URL=tcp://127.0.0.1:1883"}
	for _, line := range []string{"version", "check", "completion", "init --callsign N0QRZ-10 --links valley:mesh", "airtime --sf 12 --bw 125 --cr 4/5 --bytes 40", "vet"} {
		var said bytes.Buffer
		in := strings.NewReader(`{"from":"N0QRA","to":"N0QRB","text":"x"}`)
		if code := run(strings.Fields(line), streams{in, full, &said}, settings); code != exitDisk || !strings.Contains(said.String(), "no space") {
			t.Errorf("%s: exit code %d, %q", line, code, said.String())
		}
	}
}
