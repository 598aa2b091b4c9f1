//go:build hub

package main

import (
	"fmt"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/sink"
	"posthouse/queue/etcdstore/etcdtest"
)

// hub is one gateway in two processes, which share a queue in three members of etcd,
// and each have a mail server of their own.
type hub struct {
	*traffic // of TestHub
	etcd     *etcdtest.Cluster
	world    *sink.Sink
	both     [2]*process
	smtp     [2]string
}

// startHub starts both processes; the first one leads.
func startHub(t *testing.T, settings ...string) *hub {
	t.Helper()
	h := &hub{etcd: etcdtest.Start(t, 3)}
	var err error
	if h.world, err = sink.Start(t.Context(), sink.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-h.world.Stopped() })
	settings = append(settings,
		"POSTHOUSE_STORE=etcd://"+strings.Join(h.etcd.Endpoints, ","), "POSTHOUSE_RATE=10000/1s", "POSTHOUSE_LOG_LEVEL=info",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_ALLOW=bob@club.example=N0QRB",
		"POSTHOUSE_POST_SMARTHOST="+h.world.Address(), "POSTHOUSE_POST_SMARTHOST_TLS=none")
	for i := range h.both {
		h.smtp[i] = freePort(t)
		h.both[i] = newDaemon(t, append(settings, "POSTHOUSE_POST_LISTEN="+h.smtp[i])...)
		h.both[i].start()
		h.both[i].awaitUp("post")
	}
	return h
}

// mails are the deliveries by mail that a process has made.
const mails = `posthouse_deliveries_total{link="post",result="delivered"}`

// busyHub is a hub with two meshes, and people who write all the time: by radio, and by
// mail to both processes.
func busyHub(t *testing.T) *hub {
	t.Helper()
	valley, hill := brokertest.Mosquitto(t, hasty...), brokertest.Mosquitto(t, hasty...)
	h := startHub(t, append(append(mesh("valley", valley.Addr), mesh("hill", hill.Addr)...),
		"POSTHOUSE_LINKS=valley,hill,post", "POSTHOUSE_HILL_ACK_WAIT=2s", "POSTHOUSE_HILL_RESENDS=20")...)
	h.both[0].awaitUp("valley", "hill")
	h.traffic = &traffic{process: h.both[0], valley: valley, hill: hill, world: h.world, stopped: make(chan struct{})}
	h.birch = join(t, hill.Addr, "hill", "N0QRB-9")
	h.node = join(t, valley.Addr, "valley", "N0QRA-1")
	h.birch.publish(said{From: "N0QRB-9"})
	h.crew = []*writer{h.radio("N0QRA-1", "ALL"), h.radio("N0QRA-2", "N0QRB-9"), h.mail("one", 0), h.mail("two", 1)}
	for i := 3; i <= 8; i++ { // several lanes, for both processes to have some
		h.crew = append(h.crew, h.radio(fmt.Sprint("N0QRA-", i), "ann@club.example"))
	}
	for _, w := range h.crew {
		w.pace = 200 * time.Millisecond // there are three etcd members, too
		h.load.Go(func() { w.work(h.stopped) })
	}
	t.Cleanup(h.rest)
	return h
}

// mail is somebody whose mail server knows both processes, and tries one of them first.
func (h *hub) mail(name string, first int) *writer {
	const from, to = "bob@club.example", "n0qrb-9@radio.example"
	return &writer{t: h.t, name: name, confirmed: map[int]bool{}, say: func(id int, text string) error {
		data := fmt.Sprintf("From: %s\r\nTo: %s\r\nMessage-Id: <%d.%s@club.example>\r\nSubject: Re: news\r\n\r\n%s\r\n", from, to, id, name, text)
		err := mailOver(h.smtp[first], from, to, data)
		if err != nil {
			err = mailOver(h.smtp[1-first], from, to, data)
		}
		return err
	}}
}

// TestHub: two processes work at once, one of which has the meshes. Whatever is
// killed, the other has all of it within 30 s, and nothing that was confirmed is
// lost. What may go out twice is what a kill of one machine sends twice.
func TestHub(t *testing.T) {
	h := busyHub(t)
	if state := h.both[1].get("/readyz"); !strings.Contains(state, "link valley (mesh) elsewhere") {
		t.Errorf("of the mesh the second process says:\n%s", state)
	}
	if page := h.both[1].get("/metrics"); strings.Contains(page, `posthouse_link_up{link="valley"}`) {
		t.Error("the second process has a figure for the connection of a link that it does not run")
	}
	h.flows(5)
	for i, d := range h.both {
		d.awaitMetric(mails, 3)
		d.awaitMetric(`posthouse_messages_accepted_total{link="post"}`, 3)
		t.Logf("process %d has sent %v mails", i, d.metric(mails))
	}
	h.quietIsHeard()

	kills := 0
	kill := func(i int) (since time.Time) {
		kills++
		since = time.Now()
		h.both[i].kill()
		return since
	}
	since := kill(0)
	h.both[1].awaitUp("valley", "hill", "post") // within patience, which is 30 s
	t.Logf("the other one had the meshes %v after the kill", time.Since(since))
	h.flows(5)
	h.both[0].start() // it helps now
	if patient() {
		h.killedWhileItTakesOver(kill)
	}
	begun := time.Now()
	h.both[1].stop()
	h.both[0].awaitUp("valley", "hill", "post")
	t.Logf("after a stop the other one had the meshes within %v", time.Since(begun))
	h.flows(5)
	confirmed, copies := h.settle()
	t.Logf("%d kills, %d messages confirmed, all arrived, and %d copies beyond the first", kills, confirmed, copies)
	if most := kills * inFlight; copies > most {
		t.Errorf("%d copies after %d kills, want at most %d", copies, kills, most)
	}
	h.both[0].stop()
}

// killedWhileItTakesOver kills the one that leads, and the other as soon as it does;
// and a member of etcd.
func (h *hub) killedWhileItTakesOver(kill func(int) time.Time) {
	h.t.Helper()
	h.both[0].awaitMetric(mails, 3)
	since := kill(1)
	h.both[0].awaitLog(leading) // and is killed while it takes over
	kill(0)
	h.both[1].start()
	h.both[1].awaitUp("valley", "hill", "post")
	h.t.Logf("the meshes were back %v after both were killed, one while it took over", time.Since(since))
	h.both[0].start()
	h.flows(5)

	h.etcd.Kill(0)
	h.flows(5)
}

// quietIsHeard: what the operator says to one process, the other one does.
func (h *hub) quietIsHeard() {
	h.t.Helper()
	h.both[1].tell("quiet", "hill")
	h.both[0].await("the first to be quiet", func() bool { return strings.Contains(h.both[0].get("/readyz"), "link hill (mesh) quiet") })
	h.both[0].tell("resume", "hill")
	h.both[1].await("the second to know", func() bool { return !strings.Contains(h.both[1].get("/readyz"), "quiet") })
}

// TestHubOnATrunk: both processes send on the trunk, and each takes in what comes there
// from some gateways. One is killed while texts go both ways: all of them arrive, and those that
// crossed the trunk once, since its events are known by their ids.
func TestHubOnATrunk(t *testing.T) {
	trunk, valley, hill := brokertest.Mosquitto(t), brokertest.Mosquitto(t), brokertest.Mosquitto(t)
	key, trust := keys(t, gatewayCall, hillGate)
	far := func(call string) []string {
		return []string{"POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://" + trunk.Addr, "POSTHOUSE_FAR_SIGNING_KEY_FILE=" + key[call],
			"POSTHOUSE_FAR_TRUST_FILE=" + trust, "POSTHOUSE_FAR_ACK_WAIT=5s", "POSTHOUSE_RATE=10000/1s"}
	}
	h := startHub(t, append(append(mesh("valley", valley.Addr), far(gatewayCall)...), "POSTHOUSE_LINKS=valley,far,post", "POSTHOUSE_VALLEY_MESH=valley", "POSTHOUSE_VALLEY_ACK_WAIT=5s")...)
	other := newDaemon(t, append(append(mesh("hill", hill.Addr), far(hillGate)...), "POSTHOUSE_CALLSIGN="+hillGate, "POSTHOUSE_LINKS=hill,far", "POSTHOUSE_HILL_MESH=hill", "POSTHOUSE_HILL_ACK_WAIT=5s")...)
	other.start()
	other.awaitUp("hill", "far")
	for _, d := range h.both {
		d.awaitUp("far")
	}
	alder := join(t, valley.Addr, "valley", alderCall)
	alder.position()
	var hikers []*station
	for i := 1; i <= 6; i++ {
		hikers = append(hikers, join(t, hill.Addr, "hill", fmt.Sprint("N0QRD-", i)).servedBy(hillGate))
		hikers[i-1].position()
	}
	written := map[*station][]string{}
	write := func(when string, mailServers ...string) {
		for i, s := range hikers {
			for k, server := range mailServers {
				text := fmt.Sprintf("%s: mail %d to %s.", when, k, s.call)
				data := fmt.Sprintf("From: bob@club.example\r\nTo: %s@radio.example\r\nMessage-Id: <%s.%d.%d@club.example>\r\nSubject: Re: news\r\n\r\n%s\r\n", s.call, when, k, i, text)
				await(t, "the mail to be taken", func() bool {
					return mailOver(server, "bob@club.example", strings.ToLower(s.call)+"@radio.example", data) == nil
				})
				written[s] = append(written[s], text)
			}
			text := fmt.Sprintf("%s: from alder to %s.", when, s.call)
			alder.say(said{ID: when + s.call, To: s.call, Text: text})
			written[s] = append(written[s], text)
			text = fmt.Sprintf("%s: from %s to alder.", when, s.call)
			s.say(said{ID: when + s.call, To: alder.call, Text: text})
			written[alder] = append(written[alder], text)
		}
	}
	arrives := func() {
		t.Helper()
		for s, texts := range written {
			for _, text := range texts {
				s.expectText(text)
			}
		}
	}
	const sends = `posthouse_send_seconds_count{link="far"}`
	write("before", h.smtp[0], h.smtp[1])
	arrives()
	for _, d := range h.both {
		d.awaitMetric(sends, 2)
	}
	write("while", h.smtp[0], h.smtp[1])
	h.both[0].kill()
	killed := time.Now()
	write("after", h.smtp[1])
	h.both[1].awaitUp("valley", "far", "post")
	t.Logf("the other one had mesh and trunk %v after the kill", time.Since(killed))
	arrives()
	again := 0
	for s, texts := range written {
		for _, text := range texts {
			n := len(s.all(func(f said) bool { return strings.Contains(f.Text, text) }))
			again += n - 1
			if n > 1 && s != alder {
				t.Errorf("%s was told %q %d times", s.call, text, n)
			}
		}
	}
	t.Logf("%d copies on the killed process's mesh", again)
	for _, s := range hikers {
		s.expectAck("after" + s.call)
	}
}

// TestHubsInbox: each process takes in what comes by the trunk from a part of the
// gateways. One is killed meanwhile, comes back, and the other is stopped: each text gets
// its custody receipt, and goes on as one mail, but for what a kill may send twice.
func TestHubsInbox(t *testing.T) {
	trunk := brokertest.Mosquitto(t, hasty...)
	crowd := newMultitude(t, trunk.Addr, 24)
	key, trust := keys(t, gatewayCall)
	crowd.addTo(trust)
	h := startHub(t, "POSTHOUSE_LINKS=far,post", "POSTHOUSE_FAR_KIND=trunk", "POSTHOUSE_FAR_BROKER_URL=tcp://"+trunk.Addr,
		"POSTHOUSE_FAR_SIGNING_KEY_FILE="+key[gatewayCall], "POSTHOUSE_FAR_TRUST_FILE="+trust)
	const takenIn = `posthouse_messages_accepted_total{link="far"}`
	const texts = 600
	for _, d := range h.both {
		d.awaitUp("far")
	}
	events := []func(){
		func() { h.both[0].kill() },
		func() { h.both[0].start(); h.both[0].awaitUp("far"); h.both[0].awaitMetric(takenIn, 3) },
		func() { h.both[1].stop() },
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, again := crowd.handIn(texts, 10, 20*time.Millisecond)
		t.Logf("%d of %d texts were handed in again", again, texts)
	}()
	for _, d := range h.both {
		d.awaitMetric(takenIn, 3)
	}
	for _, do := range events {
		do()
	}
	<-done
	h.both[0].await("all mails", func() bool { return len(mailsOf(h)) == texts })
	copies := 0
	for _, n := range mailsOf(h) {
		copies += n - 1
	}
	t.Logf("%d texts, %d mails too many", texts, copies)
	if copies > inFlight {
		t.Errorf("%d copies after one kill", copies)
	}
}

// mailsOf counts how often each text that was handed in went on as a mail.
func mailsOf(h *hub) map[string]int {
	mails := map[string]int{}
	for _, m := range h.world.Mails() {
		if text := handedIn.Find(m.Data); text != nil {
			mails[string(text)]++
		}
	}
	return mails
}

var handedIn = regexp.MustCompile(`text t\d+:`)

// try runs a command against the daemon and tells whether it succeeded.
func (d *process) try(args ...string) bool {
	cmd := exec.Command(d.program, args...)
	cmd.Env = d.env
	return cmd.Run() == nil
}
