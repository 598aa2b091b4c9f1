package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"posthouse/adapters/broker/brokertest"
)

// Whoever stops a backup or a restore, or kills it, leaves no copy of the gateway's keys
// behind: the stopped one clears up, and after a kill the next start or the next backup does.
func TestStoppedInABackupOrARestore(t *testing.T) {
	t.Parallel()
	trunk := brokertest.Mosquitto(t)
	key, trust := keys(t, hillGate)
	d := startDaemon(t, append(mesh("hill", trunk.Addr), "POSTHOUSE_CALLSIGN="+hillGate, "POSTHOUSE_LINKS=hill,far",
		"POSTHOUSE_HILL_MESH=hill", "POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://"+trunk.Addr,
		"POSTHOUSE_FAR_SIGNING_KEY_FILE="+key[hillGate], "POSTHOUSE_FAR_TRUST_FILE="+trust)...)
	dir := t.TempDir()
	file, data := filepath.Join(dir, "hill.tar"), filepath.Join(dir, "data")
	d.tell("backup", file)
	begun := func(left string, args ...string) *exec.Cmd {
		cmd := exec.Command(d.program, args...)
		cmd.Env, cmd.Stdout, cmd.Stderr = append(d.env, "POSTHOUSE_DATA_DIR="+data), t.Output(), t.Output()
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		await(t, left+" to be there", func() bool { return len(inside(t, left)) > 0 })
		return cmd
	}
	end := func(cmd *exec.Cmd, by os.Signal) {
		if err := cmd.Process.Signal(by); err != nil {
			t.Error(err)
		}
		_ = cmd.Wait() // its code tells how it ended
	}

	settings := filepath.Join(data, stages+"*", "raw", partSettings)
	end(begun(settings, "restore", file), os.Interrupt)
	nothingAt(t, settings)

	end(begun(settings, "restore", file), syscall.SIGKILL)
	d.stop()
	again := newDaemon(t, append(d.env, "POSTHOUSE_DATA_DIR="+data)...)
	again.http = d.http
	again.start()
	nothingAt(t, settings)

	part := filepath.Join(dir, ".new.tar.*.part")
	if err := again.cmd.Process.Signal(syscall.SIGSTOP); err != nil { // it hands out nothing
		t.Fatal(err)
	}
	fresh := filepath.Join(dir, "new.tar")
	end(begun(part, "backup", fresh), syscall.SIGTERM)
	nothingAt(t, part)

	end(begun(part, "backup", fresh), syscall.SIGKILL)
	killed := inside(t, part)[0]
	first := begun(part, "backup", fresh)
	await(t, "what was left behind to be replaced", func() bool { return !exists(killed) && len(inside(t, part)) == 1 })
	second := begun(part, "backup", fresh) // which leaves alone what is at work
	await(t, "two to be at work", func() bool { return len(inside(t, part)) == 2 })
	end(first, syscall.SIGTERM)
	end(second, syscall.SIGTERM)
	nothingAt(t, part)
}

func inside(t *testing.T, pattern string) []string {
	t.Helper()
	names, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func nothingAt(t *testing.T, pattern string) {
	t.Helper()
	if left := inside(t, pattern); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}
