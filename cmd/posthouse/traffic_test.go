package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/sink"
)

// traffic is a gateway in a process of its own, between two meshes and the mail,
// and people on all sides who write all the time, until Close. What they have a
// confirmation for (PUBACK, 250) must arrive, whatever is done to the gateway.
type traffic struct {
	*process
	valley, hill *brokertest.Broker // nil: the gateway's own
	node         *station           // one client speaks for the whole valley
	birch        *station           // N0QRB-9 on the hill
	world        *sink.Sink
	smtp         string // the gateway's mail server
	brokersDie   bool   // the test kills brokers
	diskFills    bool   // the test leaves the gateway no room
	crew         []*writer
	stopped      chan struct{}
	load         sync.WaitGroup
}

// roomy are settings of a Mosquitto that throws nothing away by itself, hasty
// those of one that is never killed: to save its whole queue after each message
// makes it so slow that its PUBACKs come too late.
var (
	roomy = []string{"max_queued_messages 0", "max_inflight_messages 100"}
	hasty = append([]string{"persistence false"}, roomy...)
)

// between starts a gateway between two Mosquittos that are set up so, and the
// writers.
func between(t *testing.T, broker []string, settings ...string) *traffic {
	t.Helper()
	x := &traffic{valley: brokertest.Mosquitto(t, broker...), hill: brokertest.Mosquitto(t, broker...)}
	x.open(t, x.valley.Addr, x.hill.Addr, append(append(mesh("valley", x.valley.Addr), mesh("hill", x.hill.Addr)...), settings...))
	return x
}

// around starts a gateway with two built-in brokers, and the writers.
func around(t *testing.T) *traffic {
	t.Helper()
	x := &traffic{}
	valley, hill := freePort(t), freePort(t)
	x.open(t, valley, hill, append(ownMesh("valley", valley), ownMesh("hill", hill)...))
	return x
}

func (x *traffic) open(t *testing.T, valley, hill string, settings []string) {
	t.Helper()
	x.smtp, x.stopped = freePort(t), make(chan struct{})
	var err error
	if x.world, err = sink.Start(t.Context(), sink.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { <-x.world.Stopped() })
	x.process = newDaemon(t, append([]string{
		"POSTHOUSE_LINKS=valley,hill,post", "POSTHOUSE_RATE=10000/1s", "POSTHOUSE_LOG_LEVEL=warn",
		"POSTHOUSE_HILL_ACK_WAIT=2s", "POSTHOUSE_HILL_RESENDS=20",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_LISTEN=" + x.smtp, "POSTHOUSE_POST_DOMAIN=radio.example",
		"POSTHOUSE_POST_SMARTHOST=" + x.world.Address(), "POSTHOUSE_POST_SMARTHOST_TLS=none",
		"POSTHOUSE_POST_ALLOW=bob@club.example=N0QRB",
	}, settings...)...)
	x.ship()
	x.start()
	x.birch = join(t, hill, "hill", "N0QRB-9")
	x.node = join(t, valley, "valley", "N0QRA-1")
	x.birch.publish(said{From: "N0QRB-9"})
	x.crew = []*writer{
		x.radio("N0QRA-1", "ALL"), x.radio("N0QRA-2", "N0QRB-9"), x.radio("N0QRA-3", "ann@club.example"),
		x.radio("N0QRA-4", "ALL"), x.radio("N0QRA-5", "N0QRB-9"), x.post("bob@club.example", "n0qrb-9@radio.example"),
	}
	for _, w := range x.crew {
		x.load.Go(func() { w.work(x.stopped) })
	}
	t.Cleanup(x.rest)
}

// rest has the writers finish what they are at, and write no more.
func (x *traffic) rest() {
	select {
	case <-x.stopped:
	default:
		close(x.stopped)
	}
	x.load.Wait()
}

// flows waits until each writer has so many more confirmations.
func (x *traffic) flows(more int) {
	x.t.Helper()
	for _, w := range x.crew {
		least := w.count() + more
		x.await(fmt.Sprintf("%s to have %d confirmations", w.name, least), func() bool { return w.count() >= least })
	}
}

// settle demands that all that was confirmed has arrived, and its acks are back;
// it gives how much that was, and how many copies came beyond the first. With
// brokers that were killed, that does not hold for what they lost.
func (x *traffic) settle() (confirmed, copies int) {
	x.t.Helper()
	x.birch.publish(said{From: "N0QRB-9"})
	x.rest()
	for _, w := range x.crew {
		if confirmed += w.count(); w.count() == 0 {
			x.t.Errorf("%s wrote nothing", w.name)
		}
	}
	all := x.missing()
	for left := len(all) + 1; len(all) > 0 && len(all) < left; { // as long as there is progress
		left = len(all)
		becomes(3*patience, func() bool { all = x.missing(); return len(all) == 0 }) // longer than 10 s without a PUBACK and the wait after
	}
	if len(all) > 0 {
		x.t.Errorf("%d of %d confirmed messages are missing: %s", len(all), confirmed, strings.Join(all[:min(len(all), 30)], ", "))
		x.explain(all)
	}
	for _, n := range x.arrived() {
		copies += n - 1
	}
	return confirmed, copies
}

// explain shows what the gateway says became of a few of them.
func (x *traffic) explain(missing []string) {
	entries := strings.Split(x.tell("log", "--format", "jsonl"), "\n")
	for _, key := range missing[:min(len(missing), 5)] {
		name, id, _ := strings.Cut(strings.TrimSuffix(key, "'s ack"), " ")
		text := fmt.Sprintf("text %s of %s", id, name)
		at := slices.IndexFunc(entries, func(e string) bool { return strings.Contains(e, text) })
		if at < 0 {
			x.t.Logf("the gateway knows nothing of %q", text)
			continue
		}
		x.t.Logf("the gateway says: %s", entries[at])
	}
}

// written finds a text again, wherever it turns up.
var written = regexp.MustCompile(`text (\d+) of ([\w-]+@?)`)

// arrived counts how often each text has come out, by writer and number.
func (x *traffic) arrived() map[string]int {
	texts := map[string]int{}
	for _, f := range x.birch.all(func(f said) bool { return f.Text != "" }) {
		if m := written.FindStringSubmatch(f.Text); m != nil {
			texts[m[2]+" "+m[1]]++
		}
	}
	for _, mail := range x.world.Mails() {
		if mail.To[0] != "ann@club.example" {
			continue // a notice to bob
		}
		if m := written.FindSubmatch(mail.Data); m != nil {
			texts[string(m[2])+" "+string(m[1])]++
		}
	}
	return texts
}

// missing lists what was confirmed and has not arrived, or whose ack has not come
// back; less what the broker's PUBACK did not mean.
func (x *traffic) missing() (all []string) {
	all = x.notArrived()
	if len(all) == 0 || !x.brokersDie && !x.diskFills {
		return all
	}
	logged := x.logged()
	return slices.DeleteFunc(all, func(key string) bool {
		return x.brokersDie && lostByABroker(key, logged) || x.diskFills && refusedAsFull(key, logged)
	})
}

// refusedAsFull: a mesh cannot be told to come again, so its text has a PUBACK
// and is refused. A mail server can.
func refusedAsFull(key string, logged map[string]string) bool {
	result := logged[strings.TrimSuffix(key, "'s ack")]
	return (result == "" || result == "refused") && !strings.HasPrefix(key, "post ")
}

// lostByABroker: Mosquitto confirms before it writes to its disk. A broker that
// is killed may have lost a text before the gateway had it, an ack that the
// gateway gave it, or a text to all, for which nobody on a mesh gives an ack.
func lostByABroker(key string, logged map[string]string) bool {
	text, isAck := strings.CutSuffix(key, "'s ack")
	result := logged[text]
	return result == "" || result == "sent" && !isAck || result == "delivered" && isAck
}

// logged gives what became of each text that the gateway has accepted.
func (x *traffic) logged() map[string]string {
	results := map[string]string{}
	for line := range strings.Lines(x.tell("log", "--format", "jsonl")) {
		var entry struct{ Kind, Text, Result string }
		if err := json.Unmarshal([]byte(line), &entry); err != nil {
			x.t.Fatalf("the log has %q: %v", line, err)
		}
		if m := written.FindStringSubmatch(entry.Text); m != nil && entry.Kind == "text" {
			results[m[2]+" "+m[1]] = entry.Result
		}
	}
	if len(results) == 0 {
		x.t.Fatal("the log has no text")
	}
	return results
}

func (x *traffic) notArrived() (all []string) {
	texts, acked := x.arrived(), map[string]bool{}
	for _, f := range x.node.all(func(f said) bool { return f.Ack != "" }) {
		acked[f.To+" "+f.Ack] = true
	}
	for _, w := range x.crew {
		for _, id := range w.all() {
			switch key := fmt.Sprint(w.name, " ", id); {
			case texts[key] == 0:
				all = append(all, key)
			case w.receipts && !acked[key]:
				all = append(all, key+"'s ack")
			}
		}
	}
	return all
}

// writer writes one text after another and says each again until it is
// confirmed, or refused.
type writer struct {
	t        testing.TB
	name     string
	receipts bool // a station's ack, or the smarthost's 250, comes back
	say      func(id int, text string) error
	pace     time.Duration // between two texts; 0: 10 ms, which is what the brokers and a test can bear on the same two cores

	mu        sync.Mutex
	confirmed map[int]bool
}

// radio is a station of the valley.
func (x *traffic) radio(call, to string) *writer {
	return &writer{t: x.t, name: call, receipts: to != "ALL", confirmed: map[int]bool{}, say: func(id int, text string) error {
		token := x.node.publish(said{ID: fmt.Sprint(id), From: call, To: to, Text: text})
		if !token.WaitTimeout(patience) {
			return fmt.Errorf("no PUBACK within %v", patience)
		}
		return token.Error()
	}}
}

// post is somebody with a mail program, who sends a mail again with its old
// Message-ID, as a server would.
func (x *traffic) post(from, to string) *writer {
	return &writer{t: x.t, name: "post", confirmed: map[int]bool{}, say: func(id int, text string) error {
		return mailOver(x.smtp, from, to, fmt.Sprintf("From: %s\r\nTo: %s\r\nMessage-Id: <%d@club.example>\r\nSubject: Re: news\r\n\r\n%s\r\n", from, to, id, text))
	}}
}

// mailOver hands one mail to a server; nil is its 250.
func mailOver(server, from, to, data string) error {
	c, err := smtp.Dial(server)
	if err != nil {
		return err
	}
	defer c.Close()
	c.CommandTimeout, c.SubmissionTimeout = patience, patience
	if err := c.Mail(from, nil); err != nil {
		return err
	}
	if err := c.Rcpt(to, nil); err != nil {
		return err
	}
	w, err := c.Data()
	if err != nil {
		return err
	}
	if _, err := io.WriteString(w, data); err != nil {
		return err
	}
	return w.Close()
}

// work writes until it is stopped.
func (w *writer) work(stopped chan struct{}) {
	pace := time.NewTicker(cmp.Or(w.pace, 10*time.Millisecond))
	defer pace.Stop()
	for id := 1; ; id++ {
		select {
		case <-stopped:
			return
		case <-pace.C:
		}
		var err error
		if !becomes(4*patience, func() bool { err = w.say(id, fmt.Sprintf("text %d of %s", id, w.name)); return err == nil }) {
			w.t.Errorf("%s: text %d is not confirmed: %v", w.name, id, err)
			return
		}
		w.mu.Lock()
		w.confirmed[id] = true
		w.mu.Unlock()
	}
}

func (w *writer) count() int { w.mu.Lock(); defer w.mu.Unlock(); return len(w.confirmed) }

func (w *writer) all() []int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Sorted(maps.Keys(w.confirmed))
}
