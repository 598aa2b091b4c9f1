//go:build hub

package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/adapters/broker/brokertest"
	"posthouse/queue/etcdstore/etcdtest"
)

// TestHubWithoutAMajority takes two of three etcd members away from a hub that
// takes in texts by its own broker and mail, for a minute. Whoever
// hands something in is told "later" (no PUBACK, 451, or nobody there), and once
// the members are back all that was confirmed arrives.
func TestHubWithoutAMajority(t *testing.T) {
	if !patient() {
		t.Skip("only with POSTHOUSE_LONG=1")
	}
	const away = time.Minute
	c := etcdtest.Start(t, 3)
	hill := brokertest.Mosquitto(t, hasty...)
	valley := freePort(t)
	x := &traffic{hill: hill}
	x.open(t, valley, hill.Addr, append(append(ownMesh("valley", valley), mesh("hill", hill.Addr)...),
		"POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ",")))
	s := keepUp(x.process)
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
	if later := answers["451"] + answers["421"] + answers[nobody]; later == 0 || answers["250"] > 0 {
		t.Errorf("mail servers were answered %v, want nothing but 451, 421 or no answer", answers)
	}
	c.Up(0)
	c.Thaw(1)
	back := time.Now()
	x.flows(1)
	t.Logf("all inputs are open again %v after etcd", time.Since(back).Round(100*time.Millisecond))
	x.flows(10)
	confirmed, copies := x.settle()
	s.end()
	t.Logf("%d messages confirmed, all arrived, and %d copies; mail servers were answered %v; the daemon was started again %d times", confirmed, copies, answers, s.starts)
	if most := (s.starts + 1) * inFlight; copies > most {
		t.Errorf("%d copies, want at most %d", copies, most)
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

// nobody is what a mail server sees of a daemon that has ended: it tries again.
const nobody = "nobody there"

// keeper starts a daemon again when it has ended because it may have lost the
// queue, as its unit does.
type keeper struct {
	stop   context.CancelFunc
	over   chan struct{}
	starts int
}

// keepUp watches over a daemon until end is called; meanwhile only the keeper
// starts or ends it.
func keepUp(d *process) *keeper {
	ctx, stop := context.WithCancel(context.Background())
	k := &keeper{stop: stop, over: make(chan struct{})}
	ended := make(chan error, 1)
	watch := func() { cmd := d.cmd; go func() { ended <- cmd.Wait() }() }
	watch()
	go func() {
		defer close(k.over)
		for {
			select {
			case <-ctx.Done():
				_ = d.cmd.Process.Kill()
				<-ended
				d.cmd = nil
				return
			case err := <-ended:
				if code := d.cmd.ProcessState.ExitCode(); code != exitUnavailable && code != exitDisk {
					d.t.Errorf("the daemon ended: %v", err)
				}
			}
			select { // RestartSec of the unit
			case <-time.After(5 * time.Second):
			case <-ctx.Done():
				d.cmd = nil
				return
			}
			k.starts++
			d.begin()
			watch()
		}
	}()
	d.t.Cleanup(k.end)
	return k
}

func (k *keeper) end() {
	k.stop()
	<-k.over
}
