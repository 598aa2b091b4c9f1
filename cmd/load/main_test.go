package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/mail/postfixtest"
	"posthouse/adapters/realtest"
	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
)

func TestNothingBeyondLoopbackIsLoaded(t *testing.T) {
	for _, broker := range []string{"tcp://192.0.2.1:1883", "tcp://broker.example:1883", "tcp://:1883", "://"} {
		if _, err := parse([]string{"-to", broker}); err == nil {
			t.Errorf("-to %s is taken", broker)
		}
	}
	if _, err := parse([]string{"-from", "tcp://127.0.0.1:1883", "-to", "tcp://[::1]:1883"}); err != nil {
		t.Errorf("brokers on loopback: %v", err)
	}
}

func TestLoadsAreBounded(t *testing.T) {
	for _, args := range []string{"-n 0", "-n 2000001", "-senders 376", "-size 19", "-size 141", "-max-time 2h", "-queued 10 -to tcp://127.0.0.1:1883", "-soak 25h", "-way bog -n 1", "-way=mail_to_mesh", "-soak 1m -kill 1", "-table -from tcp://127.0.0.1:1883", "-scale 2"} {
		if _, err := parse(strings.Fields(args)); err == nil {
			t.Errorf("%s is taken", args)
		}
	}
}

// A text that the rules refuse would be lost by right.
func TestTextsAreKnownAgainAndPassTheRules(t *testing.T) {
	for _, size := range []int{20, 140} {
		for _, i := range []int{0, 7, 19999, maxTexts} {
			s := text(i, size)
			if got := numberOf(s); got != i {
				t.Errorf("text %q is read as number %d, want %d", s, got, i)
			}
			if len(s) > size {
				t.Errorf("text %q is longer than %d bytes", s, size)
			}
			m := message.Message{Kind: message.Text, From: callOf(i % maxSenders), To: "ALL", Text: s}
			if ref := rules.Check(&m, &rules.Policy{Own: gateway}); ref != nil {
				t.Errorf("%q is refused: %s, %s", s, ref.Code, ref.Why)
			}
		}
	}
}

func TestEachStationHasItsOwnCallSign(t *testing.T) {
	seen := map[string]bool{gateway: true}
	for i := range maxSenders {
		for _, call := range []string{callOf(i), farOf(i)} {
			if _, err := callsign.Parse(call); err != nil || seen[call] {
				t.Fatalf("station %d: %s is taken already, or no call sign: %v", i, call, err)
			}
			seen[call] = true
		}
	}
}

func TestQuantilesAreNearestRanks(t *testing.T) {
	var all []time.Duration
	for i := 100; i > 0; i-- {
		all = append(all, time.Duration(i)*time.Millisecond)
	}
	for q, want := range map[float64]float64{0.5: 50, 0.99: 99, 1: 100} {
		if got := quantile(all, q); got != want {
			t.Errorf("quantile %g of 1 to 100 ms is %g, want %g", q, got, want)
		}
	}
}

// A durable peer cannot take 100,000 texts in the time.
func TestNoRatioToAPeerThatDeliveredNothing(t *testing.T) {
	all := []result{
		{Target: daemon, Arrived: 10, PerSecond: 10, P50: 2, P99: 3},
		{Target: memory, Arrived: 10, PerSecond: 20, P50: 1, P99: 2},
		{Target: durable},
	}
	var out strings.Builder
	if err := report(&out, all); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		"against " + memory + ": 0.50 times the rate, 2.00 times the p50, 1.50 times the p99\n",
		"against " + durable + ": no ratio, it delivered nothing\n",
		`"ratios":[{"peer":"` + memory + `","rate":0.5,"p50":2,"p99":1.5}]`,
	} {
		if !strings.Contains(out.String(), line) {
			t.Errorf("the report lacks %q:\n%s", line, &out)
		}
	}
}

// TestADayLeavesNothingBehind is the short form of -soak.
func TestADayLeavesNothingBehind(t *testing.T) {
	t.Parallel()
	brokertest.Program(t, "mosquitto")
	o, err := parse([]string{"-soak", "5s", "-dir", t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	if err := run(t.Context(), o); err != nil {
		t.Error(err)
	}
}

// TestTheTableHasEveryRow is the short form of -table: what counts is counted,
// times and ratios are for the long one.
func TestTheTableHasEveryRow(t *testing.T) {
	t.Parallel()
	brokertest.Program(t, "mosquitto")
	postfixtest.Program(t, "postfix")
	if os.Geteuid() != 0 {
		realtest.Missing(t, "Postfix only runs as root")
	}
	o, err := parse([]string{"-table", "-scale", "0.002"})
	if err != nil {
		t.Fatal(err)
	}
	o.program = filepath.Join(t.TempDir(), "posthouse")
	if err := build(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	if err := compareAll(t.Context(), o, t.TempDir(), &out); err != nil {
		t.Fatal(err)
	}
	for _, measure := range []string{
		"full rate, delivered", "device bytes a text, full rate", "CPU time a text, full rate", "p50 at 100/s", "p99 at 1000/s", "device bytes a text at 100/s",
		"device bytes a text, one a second", "lost, 2 kills at 500/s", "copies a kill", "lost, 2 kills while the far broker is away",
		"SMTP accepted", "mails delivered to the smarthost", "mail to the broker", "broker to the sink's DATA",
		"RssAnon growth with 200 queued", "RssAnon growth with 2000 queued", "start to ready after kill -9, 2000 queued", "cold", "then delivered",
	} {
		if !strings.Contains(out.String(), measure) {
			t.Errorf("no row about %q", measure)
		}
	}
	for line := range strings.Lines(out.String()) {
		if strings.Contains(line, "| lost") && !strings.Contains(line, "| 0 |") {
			t.Errorf("lost: %s", line)
		}
	}
}
