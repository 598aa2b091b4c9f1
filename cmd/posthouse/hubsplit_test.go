//go:build hub

package main

import (
	"fmt"
	"net"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/sink"
	"posthouse/queue/etcdstore/etcdtest"
)

// TestHubSplit splits the network: the process that leads is left with one etcd
// member, the one that helps with two. The first has to stop before the other leads,
// and helps once the network is whole; and nothing is lost: the meshes' brokers, which both reach all the time, see to
// it that each text that they took comes out. Once with the leader of etcd on
// either side (the long form).
func TestHubSplit(t *testing.T) {
	split := etcdtest.NewSplit(t)
	c := etcdtest.StartSplit(t, split)
	x, hubs := hubsAt(t, split, c)
	rounds := 1
	if patient() {
		rounds = 4
	}
	for round := range rounds {
		lead := c.Leader()
		for lead != 0 == (round%2 == 1) { // in odd rounds it goes down with the first hub
			c.Kill(lead)
			next := c.Leader()
			c.Up(lead)
			c.Await(lead)
			lead = next
		}
		x.flows(10)
		cutOff(t, x, split, hubs, lead, round)
		if t.Failed() {
			return
		}
		if round+1 < rounds { // the first has to be at work again
			hubs[1].stop()
			hubs[0].awaitLog(leading)
			hubs[1].log.Reset()
			hubs[1].begin()
			hubs[1].awaitLog(helping)
		}
	}
	confirmed, copies := x.settle()
	t.Logf("%d texts confirmed, all arrived, %d copies", confirmed, copies)
	if most := (2*rounds + 1) * inFlight; copies > most {
		t.Errorf("%d copies, want at most %d", copies, most)
	}
}

// What the log says of a process that comes to lead, and of one that helps.
const (
	leading = "leads the hub"
	helping = "leads=false"
)

// hubsAt starts a hub at each site and writers on two meshes whose brokers both reach.
func hubsAt(t *testing.T, split *etcdtest.Split, c *etcdtest.Cluster) (*traffic, [2]*process) {
	broker := func(port string) *brokertest.Broker {
		conf := slices.Clone(hasty)
		for _, site := range split.Sites {
			conf = append(conf, "listener "+port+" "+site.Home)
		}
		return brokertest.Mosquitto(t, conf...)
	}
	x := &traffic{valley: broker("11883"), hill: broker("11884"), stopped: make(chan struct{})}
	var err error
	if x.world, err = sink.Start(t.Context(), sink.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-x.world.Stopped() })
	var hubs [2]*process
	for i, site := range split.Sites {
		hubs[i] = newDaemon(t, append(append(mesh("valley", net.JoinHostPort(site.Home, "11883")), mesh("hill", net.JoinHostPort(site.Home, "11884"))...),
			"POSTHOUSE_LINKS=valley,hill", "POSTHOUSE_RATE=10000/1s", "POSTHOUSE_HILL_ACK_WAIT=2s", "POSTHOUSE_HILL_RESENDS=20",
			"POSTHOUSE_LOG_LEVEL=info", "POSTHOUSE_HTTP_LISTEN=", "POSTHOUSE_STORE=etcd://"+strings.Join(c.Endpoints, ","))...)
		hubs[i].within = site.Within()
	}
	hubs[0].begin()
	hubs[0].awaitLog("posthouse runs", "leads=true")
	hubs[1].begin()
	hubs[1].awaitLog(helping)
	x.process = hubs[0]
	x.birch, x.node = join(t, x.hill.Addr, "hill", "N0QRB-9"), join(t, x.valley.Addr, "valley", "N0QRA-1")
	x.birch.publish(said{From: "N0QRB-9"})
	x.crew = []*writer{x.radio("N0QRA-1", "ALL"), x.radio("N0QRA-2", "N0QRB-9")}
	for _, w := range x.crew {
		x.load.Go(func() { w.work(x.stopped) })
	}
	t.Cleanup(x.rest)
	await(t, "the first texts to come out", func() bool { return len(x.arrived()) > 10 })
	return x, hubs
}

// cutOff splits the network and mends it once the second hub works. Meanwhile the
// operator at the first one goes on writing: in vain.
func cutOff(t *testing.T, x *traffic, split *etcdtest.Split, hubs [2]*process, lead, round int) {
	t.Helper()
	hubs[0].log.Reset()
	over := make(chan struct{})
	var operator sync.WaitGroup
	split.Cut()
	cut := time.Now()
	operator.Go(func() { x.inVain(hubs[0], round, over) })
	for _, link := range []string{"valley", "hill"} { // down: it asked for a text again that etcd did not confirm
		closed := regexp.MustCompile(`msg="link is (closed|down)" link=` + link)
		await(t, link+" to be closed", func() bool { return closed.MatchString(hubs[0].log.String()) })
	}
	closed := time.Since(cut)
	if strings.Contains(hubs[1].log.String(), leading) {
		t.Error("the second hub leads, and the first has not let go of its links")
	}
	hubs[1].awaitLog(leading)
	took := time.Since(cut)
	before := len(x.arrived())
	await(t, "texts to come out by the second hub", func() bool { return len(x.arrived()) > before+20 })
	t.Logf("member %d led: the first hub had closed its links %v after the cut, the second led after %v, texts came out by it after %v",
		lead, closed.Round(100*time.Millisecond), took.Round(100*time.Millisecond), time.Since(cut).Round(100*time.Millisecond))
	if took > patience {
		t.Errorf("the second hub took over after %v, want %v at most", took, patience)
	}
	hubs[0].awaitLog("does nothing until etcd answers")
	close(over)
	operator.Wait()
	split.Mend()
	mended := time.Now()
	hubs[0].awaitLog("takes part in the hub again", helping)
	t.Logf("it took part again %v after the network was whole", time.Since(mended).Round(100*time.Millisecond))
	x.flows(20)
	if all := hubs[1].tell("log", "--format", "jsonl"); strings.Contains(all, "in vain") {
		t.Error("what the hub that was cut off took in is in the queue")
	}
}

// inVain hands texts to a hub that is cut off, and none may be confirmed.
func (x *traffic) inVain(d *process, round int, over <-chan struct{}) {
	again := time.NewTicker(200 * time.Millisecond)
	defer again.Stop()
	var all sync.WaitGroup
	defer all.Wait()
	for i := 0; ; i++ {
		select {
		case <-over:
			return
		case <-again.C:
		}
		all.Go(func() {
			if d.try("send", "--to", "N0QRB-9", "--text", fmt.Sprintf("in vain %d %d", round, i)) {
				x.t.Error("a hub that was cut off has confirmed a text")
			}
		})
	}
}
