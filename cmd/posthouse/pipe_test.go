package main

import (
	"os"
	"os/exec"
	"testing"
)

// runInto starts the daemon with a pipe for its log, and closes this end of it.
func (d *process) runInto(log *os.File) {
	d.t.Helper()
	d.cmd = exec.Command(d.program, "run")
	d.cmd.Env, d.cmd.Dir, d.cmd.Stdout, d.cmd.Stderr = d.env, d.dir, log, log
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	log.Close()
	d.awaitReady()
}

// Whoever reads the log may end, as a journal does that is started anew: the
// gateway works on.
func TestTheDaemonOutlivesTheReaderOfItsLog(t *testing.T) {
	t.Parallel()
	broker := freePort(t)
	d := newDaemon(t, append(ownMesh("valley", broker), "POSTHOUSE_LINKS=valley")...)
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	d.runInto(write)
	read.Close()
	for range 3 { // each writes a line
		d.tell("quiet", "all")
	}
	d.awaitReady()
	d.stop()
}
