package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/bridge/clock"
)

// The test "queue restored from an old backup" on a trunk, with real brokers and
// the program itself: while the gateway lives, nobody brings its twin up; once it
// is dead, the far gateway takes the numbers of the restored one, what was
// delivered after the backup is not sent again, and what was said between cannot
// be played to it again.
func TestRestoredOnATrunk(t *testing.T) {
	t.Parallel()
	r := found(t, brokertest.Mosquitto(t))
	ear := eavesdrop(t, r.trunk.Addr)
	r.open(valleyGate, "valley", r.trunk.Addr)
	hill := r.open(hillGate, "hill", r.trunk.Addr)
	r.meet()

	hill.tell("quiet", "far")
	id := r.write(r.birch, r.alder, "open in the backup")
	hill.awaitMetric(`posthouse_messages_accepted_total{link="hill"}`, 2)
	file := filepath.Join(t.TempDir(), "hill.tar")
	hill.tell("backup", file)
	hill.tell("resume", "far")
	r.alder.expectText("open in the backup")
	r.birch.expectAck(id)
	r.cross(r.alder, r.birch, "said between")
	between := ear.event("posthouse/1/in/"+hillGate, "said between")

	restore := func(dir string, listen time.Duration) (code int, said string) {
		var out bytes.Buffer
		cmd := restoreCmd{File: file, listen: listen, clock: clock.New(clock.Saved{}, time.Now, func() bool { return true })}
		code = complain(&out, cmd.Run(streams{nil, &out, &out}, env{"POSTHOUSE_DATA_DIR=" + dir}))
		return code, out.String()
	}
	twin := filepath.Join(t.TempDir(), "twin")
	if code, said := restore(twin, time.Minute); code != exitConfig || !strings.Contains(said, "another gateway runs as "+hillGate) {
		t.Fatalf("beside the living gateway: %d, %s", code, said)
	}
	if _, err := os.Stat(filepath.Join(twin, restoredDir)); err == nil {
		t.Error("it was restored all the same")
	}

	hill.kill()
	if code, said := restore(hill.dir, time.Second); code != 0 || !strings.Contains(said, "held, 1 to be looked through") {
		t.Fatalf("restore: %d, %s", code, said)
	}
	hill.start()
	hill.tell("resume", "far") // quiet came back with the backup
	hill.awaitUp("hill", "far")
	if list := hill.tell("queue", "list"); !strings.Contains(list, "open in the backup") || !strings.Contains(list, "parked") {
		t.Errorf("the queue: %s", list)
	}
	ear.publish(between.Topic(), false, between.Payload())
	r.cross(r.birch, r.alder, "after the restore")
	r.cross(r.alder, r.birch, "and an answer")
	hill.awaitMetric(`posthouse_messages_dropped_total{link="far",reason="replay"}`, 1)
	r.once(r.birch, "said between", "and an answer")
	r.once(r.alder, "open in the backup", "after the restore")
}

// A broker that cannot be asked is no answer: only --offline goes on without.
func TestRestoreWhereNoTrunkAnswers(t *testing.T) {
	key, trust := keys(t, hillGate)
	gone := freePort(t)
	d := startDaemon(t, append(mesh("hill", brokertest.Mosquitto(t).Addr), "POSTHOUSE_CALLSIGN="+hillGate, "POSTHOUSE_LINKS=hill,far",
		"POSTHOUSE_HILL_MESH=hill", "POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://"+gone,
		"POSTHOUSE_FAR_SIGNING_KEY_FILE="+key[hillGate], "POSTHOUSE_FAR_TRUST_FILE="+trust)...)
	file := filepath.Join(t.TempDir(), "hill.tar")
	d.tell("backup", file)
	dir := t.TempDir()
	for _, offline := range []bool{false, true} {
		var out bytes.Buffer
		cmd := restoreCmd{File: file, Offline: offline}
		code := complain(&out, cmd.Run(streams{nil, &out, &out}, env{"POSTHOUSE_DATA_DIR=" + dir}))
		switch {
		case !offline && (code != exitUnavailable || !strings.Contains(out.String(), "--offline")):
			t.Errorf("%d: %s", code, out.String())
		case offline && (code != 0 || !strings.Contains(out.String(), "NOT ASKED")):
			t.Errorf("--offline: %d: %s", code, out.String())
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, restoredDir, key[hillGate])); err != nil || !bytes.Contains(b, []byte("PRIVATE KEY")) {
		t.Errorf("the signing key did not come back: %v", err)
	}
}
