//go:build hub

package main

import (
	"os/exec"
	"strings"
	"testing"
	"time"

	"posthouse/queue/etcdstore/etcdtest"
)

// TestAnotherHubTakesOver: of two daemons on one queue in etcd one works. When it
// is killed the other has its links and all that was taken over within 30 s. A
// member of etcd may die; without a majority nothing is confirmed, and the queue
// goes on with what it had when the majority is back (the long form).
func TestAnotherHubTakesOver(t *testing.T) {
	c := etcdtest.Start(t, 3)
	mesh := append(ownMesh("valley", freePort(t)), "POSTHOUSE_LINKS=valley", "POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ","))
	first, second := newDaemon(t, mesh...), newDaemon(t, mesh...)
	first.start()
	const text = "before the first was killed"
	first.tell("send", "--to", "N0QRA-7", "--text", text)
	second.begin()
	second.awaitLog("standing by")

	killed := time.Now()
	first.kill()
	second.awaitReady() // within patience, which is 30 s
	t.Logf("the other one was ready %v after the kill", time.Since(killed))
	if list := second.tell("queue", "list"); !strings.Contains(list, text) {
		t.Fatalf("what the killed one took over is not in the queue of the other:\n%s", list)
	}
	first.begin()
	first.awaitLog("standing by")

	c.Kill(0)
	await(t, "a text to be taken over with two of three members", func() bool {
		return second.try("send", "--to", "N0QRA-7", "--text", "two of three")
	})
	if !patient() {
		return
	}
	c.Kill(1)
	if second.try("send", "--to", "N0QRA-7", "--text", "no majority") {
		t.Error("a text was confirmed without a majority")
	}
	second.awaitLog("lost the queue") // it cannot know whether another works now
	if err := second.cmd.Wait(); err == nil || second.cmd.ProcessState.ExitCode() != exitUnavailable {
		t.Errorf("it ended with %v, want exit code %d", err, exitUnavailable)
	}
	second.cmd = nil
	c.Up(0)
	c.Up(1)
	c.Await(1)
	first.awaitReady()
	list := first.tell("queue", "list")
	if !strings.Contains(list, text) || !strings.Contains(list, "two of three") {
		t.Errorf("what was taken over is not in the queue:\n%s", list)
	}
	first.stop()
}

// try runs a command against the daemon and tells whether it succeeded.
func (d *process) try(args ...string) bool {
	cmd := exec.Command(d.program, args...)
	cmd.Env = d.env
	return cmd.Run() == nil
}
