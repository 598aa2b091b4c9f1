package main

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// crashRounds is how often the daemon is killed; POSTHOUSE_CRASH_ROUNDS asks for
// more.
func crashRounds(t *testing.T) int {
	v := os.Getenv("POSTHOUSE_CRASH_ROUNDS")
	if v == "" {
		return 10
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 {
		t.Fatalf("POSTHOUSE_CRASH_ROUNDS=%s: write a number", v)
	}
	return n
}

// crashSeed chooses the moments; POSTHOUSE_CRASH_SEED repeats a run.
func crashSeed(t *testing.T) uint64 {
	v := os.Getenv("POSTHOUSE_CRASH_SEED")
	if v == "" {
		return rand.Uint64()
	}
	seed, err := strconv.ParseUint(v, 10, 64)
	if err != nil {
		t.Fatalf("POSTHOUSE_CRASH_SEED=%s: write a number", v)
	}
	return seed
}

// TestKilledAtAnyMomentLosesNothing: the daemon under load is killed at random
// moments and started again. All that its writers have a confirmation for
// arrives: texts to all and direct ones at the far station, mail at the sink,
// and the acks at the writers. The window that no protocol can close, between
// send and its mark on disk, shows as duplicates, which are counted.
func TestKilledAtAnyMomentLosesNothing(t *testing.T) {
	for name, begin := range map[string]func(*testing.T) *traffic{
		"Mosquitto": func(t *testing.T) *traffic { return between(t, hasty) }, "built-in broker": around,
	} {
		t.Run(name, func(t *testing.T) {
			rounds, seed := crashRounds(t), crashSeed(t)
			random := rand.New(rand.NewPCG(seed, 0))
			x := begin(t)
			for range rounds {
				x.birch.publish(said{From: "N0QRB-9"}) // who was heard is not written down for each frame
				pause := time.NewTimer(50*time.Millisecond + time.Duration(random.Int64N(int64(600*time.Millisecond))))
				<-pause.C
				x.kill()
				x.start()
			}
			confirmed, copies := x.settle()
			t.Logf("seed %d: killed %d times, %d messages confirmed, all arrived, and %d copies beyond the first", seed, rounds, confirmed, copies)
			if most := rounds * inFlight; copies > most {
				t.Errorf("%d copies after %d kills, want at most %d", copies, rounds, most)
			}
			x.stop()
		})
	}
}

// inFlight is how much one kill may send twice: what the links have sent and not
// yet marked, since marks of finished deliveries ride along with later commits.
const inFlight = 200

// TestStandstill: the daemon is stopped for longer than its peers have patience
// (SIGSTOP), or its brokers are killed. Nothing is lost when it goes on.
func TestStandstill(t *testing.T) {
	t.Parallel()
	frozen := 3 * time.Second
	if patient() {
		frozen = time.Minute // longer than one and a half keep-alives: the brokers have given it up
	}
	freeze := func(x *traffic, meanwhile func()) {
		x.t.Helper()
		if err := x.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			x.t.Fatal(err)
		}
		late := time.NewTimer(frozen)
		meanwhile()
		<-late.C
		if err := x.cmd.Process.Signal(syscall.SIGCONT); err != nil {
			x.t.Fatal(err)
		}
	}
	x := between(t, roomy)
	x.brokersDie = true
	for _, c := range []struct {
		name string
		do   func()
	}{
		{"frozen", func() { freeze(x, func() {}) }},
		{"frozen, and its connections are gone when it wakes", func() {
			freeze(x, func() {
				x.valley.Kill()
				x.hill.Kill()
				x.valley.Restart()
				x.hill.Restart()
			})
		}},
		{"the writers' broker killed", func() { x.valley.Kill(); x.valley.Restart() }},
		{"the far broker killed", func() { x.hill.Kill(); x.hill.Restart() }},
		{"both brokers killed", func() { x.valley.Kill(); x.hill.Kill(); x.hill.Restart(); x.valley.Restart() }},
	} {
		x.flows(5)
		c.do()
		x.flows(5)
		if t.Failed() {
			t.Fatalf("%s: it does not go on", c.name)
		}
	}
	confirmed, copies := x.settle()
	t.Logf("%d messages confirmed, all arrived, and %d copies beyond the first", confirmed, copies)
	x.stop()
}

// TestDiskFull: the disk fills while traffic flows, to the last byte, and the
// gateway is killed and started on it. What comes in is refused with a word,
// where the protocol has one, and counted; with room again everything goes on,
// and what was confirmed arrives.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=96m,mode=0700"); err != nil {
		t.Skipf("a small disk needs the right to mount: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) }) // after the gateway has ended
	x := between(t, hasty, "POSTHOUSE_DATA_DIR="+dir)
	x.diskFills = true
	const refusedText, refusedMail = `posthouse_messages_refused_total{link="valley",rule="full"}`, `posthouse_messages_refused_total{link="post",rule="full"}`
	x.flows(10)

	leaves := func(mib int64) {
		ballast(t, dir, mib)
		x.awaitMetric(refusedText, x.metric(refusedText)+10)
		x.awaitMetric(refusedMail, x.metric(refusedMail)+1)
		if got := mailOver(x.smtp, "bob@club.example", "n0qrb-9@radio.example", "From: bob@club.example\r\nTo: n0qrb-9@radio.example\r\nMessage-Id: <full@club.example>\r\n\r\ntoo much\r\n"); got == nil {
			t.Errorf("with %d MiB left a mail was taken", mib)
		} else if e, ok := errors.AsType[*smtp.SMTPError](got); !ok || e.Code != 452 || e.EnhancedCode != (smtp.EnhancedCode{4, 3, 1}) {
			t.Errorf("with %d MiB left a mail was answered %v, want 452 4.3.1", mib, got)
		}
	}
	leaves(32)
	leaves(0)
	x.kill()
	x.start()
	x.awaitMetric(refusedText, 10)
	if got := x.get("/healthz"); !strings.HasPrefix(got, "ok\nthe store is full, new texts are refused: 0 MiB are left on the disk, and 64 are needed\n") {
		t.Errorf("health on a full disk: %q", got)
	}
	if got := x.get("/readyz"); !strings.HasPrefix(got, "not ready: the store is full") {
		t.Errorf("ready on a full disk: %q", got)
	}
	if err := os.Remove(filepath.Join(dir, "ballast")); err != nil {
		t.Fatal(err)
	}
	x.await("the gateway to be ready again", func() bool { return strings.HasPrefix(x.get("/readyz"), "ready\n") })
	x.flows(20)
	confirmed, copies := x.settle()
	refused := len(regexp.MustCompile(`msg=refused link=valley .* rule=full `).FindAllString(x.log.String(), -1)) // the counter began anew
	if lost := len(x.notArrived()); lost > refused {
		t.Errorf("%d texts have not arrived, and %d were refused", lost, refused)
	}
	t.Logf("%d messages confirmed, %d texts of them refused as full; all others arrived, and %d copies beyond the first", confirmed, refused, copies)
	x.stop()
}

// ballast fills a disk until only so many MiB are left.
func ballast(t *testing.T, dir string, leave int64) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(dir, "ballast"), os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for block := make([]byte, 64<<10); ; {
		var st syscall.Statfs_t
		if err := syscall.Statfs(dir, &st); err != nil {
			t.Fatal(err)
		}
		if left := int64(st.Bavail) * int64(st.Bsize); left <= leave<<20 {
			return
		} else if _, err := f.Write(block[:min(int64(len(block)), left-leave<<20)]); errors.Is(err, syscall.ENOSPC) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}
