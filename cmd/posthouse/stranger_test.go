package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Whoever is neither the daemon's user nor root learns that, and what to do.
func TestCommandsOfAStranger(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can become somebody else")
	}
	t.Parallel()
	d := startDaemon(t, append(ownMesh("valley", freePort(t)), "POSTHOUSE_LINKS=valley")...)
	public := publicCopy(t, d.program)
	if err := os.Chmod(d.dir, 0o700); err != nil { // as the unit makes it
		t.Fatal(err)
	}
	for _, command := range []string{"queue list", "queue show 1", "stations", "log", "quiet all", "block list", "send --to N0QRA --text hello"} {
		cmd := exec.Command(public, strings.Fields(command)...)
		cmd.Env, cmd.Dir = d.env, "/"
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		var out, wrong bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &wrong
		err := cmd.Run()
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok || exit.ExitCode() != exitUnavailable || out.Len() > 0 || !strings.Contains(wrong.String(), "run the command as the daemon's user ('sudo ph' does), or as root") {
			t.Errorf("%s: %v, says %q and %q", command, err, out.String(), wrong.String())
		}
	}
}

// publicCopy puts the program where everybody may run it.
func publicCopy(t *testing.T, program string) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "posthouse-public-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	content, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "posthouse")
	if err := errors.Join(os.WriteFile(path, content, 0o755), os.Chmod(dir, 0o755), os.Chmod(path, 0o755)); err != nil {
		t.Fatal(err)
	}
	return path
}

// A reader that has seen enough closes the pipe: that is no error to shout about.
func TestCommandsIntoAClosedPipe(t *testing.T) {
	t.Parallel()
	d := startDaemon(t, append(ownMesh("valley", freePort(t)), "POSTHOUSE_LINKS=valley")...)
	for _, command := range []string{
		"queue list", "stations", "log --format csv", "log --format jsonl", "report --format html", "block list",
		"init --callsign N0CALL-10 --links valley:mesh", "airtime --sf 12 --bw 125 --cr 4/5 --bytes 40", "version", "check", "--help", "completion",
	} {
		read, write, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(d.program, strings.Fields(command)...)
		cmd.Env, cmd.Dir = d.env, d.dir
		var wrong bytes.Buffer
		cmd.Stdout, cmd.Stderr = write, &wrong
		read.Close() // before the first byte
		err = cmd.Run()
		write.Close()
		status := cmd.ProcessState.Sys().(syscall.WaitStatus)
		ended := err == nil || status.Signaled() && status.Signal() == syscall.SIGPIPE || command == "check"
		if !ended || strings.Contains(wrong.String(), "panic") || strings.Contains(strings.ToLower(wrong.String()), "broken pipe") {
			t.Errorf("%s: %v, says %q", command, err, wrong.String())
		}
	}
	if text, err := io.ReadAll(strings.NewReader(d.get("/readyz"))); err != nil || !bytes.HasPrefix(text, []byte("ready")) {
		t.Errorf("the daemon is %q afterwards", text)
	}
}
