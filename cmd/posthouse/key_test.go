package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"posthouse/adapters/broker/envelope"
)

// keyRun runs posthouse key as a shell would.
func keyRun(args []string, environ ...string) (code int, out, err string) {
	var stdout, stderr bytes.Buffer
	code = run(append([]string{"key"}, args...), streams{strings.NewReader(""), &stdout, &stderr}, environ)
	return code, stdout.String(), stderr.String()
}

func TestKeyMakesAPair(t *testing.T) {
	for name, c := range map[string]struct {
		args    []string
		environ []string
		call    string
	}{
		"call sign on the command line":  {[]string{"--callsign", "n0qra-10"}, nil, "N0QRA-10"},
		"call sign from the environment": {nil, []string{"HOME=/", "POSTHOUSE_CALLSIGN=N0QRA-10"}, "N0QRA-10"},
		"the command line goes first":    {[]string{"--callsign", "N0QRB"}, []string{"POSTHOUSE_CALLSIGN=N0QRA-10"}, "N0QRB"},
	} {
		file := filepath.Join(t.TempDir(), "signing.key")
		code, out, errors := keyRun(append(c.args, "--out", file), c.environ...)
		if code != 0 || errors != "" {
			t.Errorf("%s: exit %d, %s", name, code, errors)
			continue
		}
		checkPair(t, name, file, out, c.call)
	}
}

// checkPair: the file holds the key of which the line is the public half.
func checkPair(t *testing.T, name, file, line, call string) {
	t.Helper()
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	if got := info.Mode(); got != 0o600 {
		t.Errorf("%s: mode %v, want 0600", name, got)
	}
	content, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	key, err := envelope.ParseKey(content)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	trust, err := envelope.ParseTrust([]byte(line))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if !slices.Contains(trust.Keys(call), key.Public()) || strings.Count(line, "\n") != 1 {
		t.Errorf("%s: the line is %q", name, line)
	}
	if secret := strings.Split(string(content), "\n")[1]; strings.Contains(line, secret[24:60]) {
		t.Errorf("%s: the line shows the private half", name)
	}
}

func TestKeyNeverOverwrites(t *testing.T) {
	file := filepath.Join(t.TempDir(), "signing.key")
	if err := os.WriteFile(file, []byte("precious"), 0o640); err != nil {
		t.Fatal(err)
	}
	code, out, errors := keyRun([]string{"--callsign", "N0QRA-10", "--out", file})
	if code != exitUsage || out != "" || !strings.Contains(errors, "left as it is") {
		t.Errorf("exit %d, %q, %q", code, out, errors)
	}
	if content, err := os.ReadFile(file); err != nil || string(content) != "precious" {
		t.Errorf("it now holds %q (%v)", content, err)
	}
}

func TestKeyFindings(t *testing.T) {
	folder := t.TempDir()
	file := filepath.Join(folder, "signing.key")
	for name, c := range map[string]struct {
		args    []string
		environ []string
		code    int
		says    string
	}{
		"no file":                     {[]string{"--callsign", "N0QRA-10"}, nil, exitUsage, "--out"},
		"no call sign":                {[]string{"--out", file}, nil, exitUsage, "POSTHOUSE_CALLSIGN"},
		"not a call sign":             {[]string{"--out", file, "--callsign", "gateway"}, nil, exitUsage, `--callsign is "gateway"`},
		"not a call sign, by setting": {[]string{"--out", file}, []string{"POSTHOUSE_CALLSIGN=valley"}, exitUsage, `POSTHOUSE_CALLSIGN is "valley"`},
		"the placeholder":             {[]string{"--out", file, "--callsign", "N0CALL-10"}, nil, exitUsage, "write your own"},
		"no such folder":              {[]string{"--out", filepath.Join(folder, "x", "key"), "--callsign", "N0QRA-10"}, nil, exitDisk, "making the key file"},
	} {
		code, out, errors := keyRun(c.args, c.environ...)
		if code != c.code || out != "" || !strings.Contains(errors, c.says) {
			t.Errorf("%s: exit %d, %q, %q; want %d, %q", name, code, out, errors, c.code, c.says)
		}
	}
	if _, err := os.Stat(file); !os.IsNotExist(err) {
		t.Errorf("a file was made: %v", err)
	}
}
