//go:build hub

package main

import (
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	clientv3 "go.etcd.io/etcd/client/v3"
	"go.uber.org/zap"

	"posthouse/adapters/broker/brokertest"
	"posthouse/queue/etcdstore/etcdtest"
)

// TestHubWithoutAMajority takes two of three etcd members away from a hub that
// takes in texts by its own broker and mail, for a minute in the long form. Whoever
// hands something in is told "later" (no PUBACK, 4xx), and once the members are back
// the process goes on by itself, and all that was confirmed arrives.
func TestHubWithoutAMajority(t *testing.T) {
	away := 20 * time.Second
	if patient() {
		away = time.Minute
	}
	c := etcdtest.Start(t, 3)
	hill := brokertest.Mosquitto(t, hasty...)
	valley := freePort(t)
	x := &traffic{hill: hill}
	x.open(t, valley, hill.Addr, append(append(ownMesh("valley", valley), mesh("hill", hill.Addr)...),
		"POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ","), "POSTHOUSE_LOG_LEVEL=info"))
	x.flows(5)

	c.Kill(0)
	c.Freeze(1)
	gone := time.Now()
	grace := time.NewTimer(time.Second) // what was with a majority already may be confirmed now
	<-grace.C
	before := x.confirmed()
	answers := x.knock(gone.Add(away))
	if now := x.confirmed(); now != before {
		t.Errorf("without a majority %d messages were confirmed", now-before)
	}
	if answers["250"] > 0 || answers["452"] == 0 || answers["421"] == 0 || answers[nobody] > answers["421"]/10 {
		t.Errorf("mail servers were answered %v, want 452 first, then 421, and nobody there but for moments", answers)
	}
	x.saysWhy()
	c.Up(0)
	c.Thaw(1)
	back := time.Now()
	x.flows(1)
	t.Logf("all inputs are open again %v after etcd", time.Since(back).Round(100*time.Millisecond))
	x.flows(10)
	confirmed, copies := x.settle()
	t.Logf("%d messages confirmed, all arrived, and %d copies; without a majority mail servers were answered %v", confirmed, copies, answers)
	if most := 2 * inFlight; copies > most {
		t.Errorf("%d copies, want at most %d", copies, most)
	}
	x.process.stop()
}

// TestHubBeforeEtcd: the power comes back to a site, and posthouse is there before etcd.
// It says why it does nothing, sends mail servers away for the time being, stops when it
// is told to, and takes part by itself once etcd is there.
func TestHubBeforeEtcd(t *testing.T) {
	c := etcdtest.Start(t, 3)
	for i := range 3 {
		c.Kill(i)
	}
	smtp := freePort(t)
	d := newDaemon(t, "POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ","), "POSTHOUSE_LINKS=post", "POSTHOUSE_LOG_LEVEL=info",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_ALLOW=bob@club.example=N0QRB", "POSTHOUSE_POST_LISTEN="+smtp)
	says := func() bool { return strings.Contains(d.get("/readyz"), errNotYet.Error()) }
	mails := func() string {
		return answered(mailOver(smtp, "bob@club.example", "n0qrb-9@radio.example", "From: bob@club.example\r\nTo: n0qrb-9@radio.example\r\nMessage-Id: <1@club.example>\r\n\r\nanybody there\r\n"))
	}
	d.begin()
	d.await("it to say why", says)
	d.stop()
	d.begin()
	d.await("it to say why", says)
	d.await("a mail server to be told later", func() bool { return mails() == "421" })
	cmd := exec.Command(d.program, "stations")
	cmd.Env = d.env
	if out, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitUnavailable || !strings.Contains(string(out), errNotYet.Error()) {
		t.Errorf("a command ended with %d and said %q", cmd.ProcessState.ExitCode(), out)
	}
	for i := range 3 {
		c.Up(i)
	}
	back := time.Now()
	d.await("a mail to be taken", func() bool { return mails() == "250" })
	t.Logf("mail is taken %v after etcd", time.Since(back).Round(100*time.Millisecond))
	d.awaitReady()
	d.stop()
}

// TestHubThatEtcdRefuses: what does not go by itself ends the process at once, and it
// says what to do.
func TestHubThatEtcdRefuses(t *testing.T) {
	c := etcdtest.Start(t, 1)
	d := newDaemon(t, "POSTHOUSE_STORE=etcd://"+c.Endpoints[0], "POSTHOUSE_LINKS=post", "POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_LISTEN="+freePort(t))
	admin, err := clientv3.New(clientv3.Config{Endpoints: c.Endpoints, Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close()
	_, err1 := admin.UserAdd(t.Context(), "root", "a password")
	_, err2 := admin.UserGrantRole(t.Context(), "root", "root")
	_, err3 := admin.AuthEnable(t.Context())
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	d.begin()
	if err := d.cmd.Wait(); d.cmd.ProcessState.ExitCode() != exitDisk || !strings.Contains(d.log.String(), "auth disable") {
		t.Errorf("it ended with %v and said\n%s", err, d.log.String())
	}
	d.cmd = nil
}

// saysWhy asks a process that can do nothing, everywhere where it can be asked.
func (d *process) saysWhy() {
	d.t.Helper()
	for _, path := range []string{"/healthz", "/readyz", "/"} {
		if said := d.get(path); !strings.Contains(said, errAway.Error()) {
			d.t.Errorf("%s says %q", path, said)
		}
	}
	if page := d.get("/metrics"); !strings.Contains(page, "posthouse_leads 0\n") || !strings.Contains(page, "posthouse_shares 0\n") {
		d.t.Error("/metrics tells of a part in the work")
	}
	cmd := exec.Command(d.program, "stations")
	cmd.Env = d.env
	if out, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitUnavailable || !strings.Contains(string(out), errAway.Error()) {
		d.t.Errorf("a command ended with %d and said %q", cmd.ProcessState.ExitCode(), out)
	}
}

// confirmed counts what the writers have a confirmation for.
func (x *traffic) confirmed() (n int) {
	for _, w := range x.crew {
		n += w.count()
	}
	return n
}

// knock hands in a mail again and again until a time, each a new one and several
// at once, and counts the answers.
func (x *traffic) knock(until time.Time) map[string]int {
	answers := map[string]int{}
	var mu sync.Mutex
	var all sync.WaitGroup
	for w := range 3 {
		all.Go(func() {
			pause := time.NewTicker(200 * time.Millisecond)
			defer pause.Stop()
			for i := 0; time.Now().Before(until); i++ {
				err := mailOver(x.smtp, "bob@club.example", "n0qrb-9@radio.example",
					fmt.Sprintf("From: bob@club.example\r\nTo: n0qrb-9@radio.example\r\nMessage-Id: <knock%d.%d@club.example>\r\n\r\nanybody there %d %d\r\n", w, i, w, i))
				mu.Lock()
				answers[answered(err)]++
				mu.Unlock()
				<-pause.C
			}
		})
	}
	all.Wait()
	return answers
}

func answered(err error) string {
	if err == nil {
		return "250"
	}
	if e, ok := errors.AsType[*smtp.SMTPError](err); ok {
		return fmt.Sprint(e.Code)
	}
	return nobody
}

// nobody is what a mail server sees where nothing listens: it tries again.
const nobody = "nobody there"
