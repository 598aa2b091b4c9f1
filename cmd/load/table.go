package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// jetStreamStart is what a NATS JetStream with 1,000,000 messages stored took
// from its start after a kill -9 to taking messages, in milliseconds: measured
// once on a machine of this size, and quoted, as no Debian package has it.
const jetStreamStart = 495

// coldStart is how long a start may take when nothing of the files is in memory,
// in milliseconds.
const coldStart = 300

// aim is what a ratio of ours to a peer's figure should be.
type aim struct {
	least bool // at least, not at most
	times float64
}

func atLeast(times float64) aim { return aim{true, times} }
func atMost(times float64) aim  { return aim{false, times} }

// row is one line of the table: a measure, ours, the peer's.
type row struct {
	measure, unit, peer string
	ours, theirs        float64
	aim                 aim
}

func (r row) String() string {
	ratio, want, met := "-", "-", ""
	if r.peer == "" {
		return fmt.Sprintf("| %s | %s | - | - | - | |", r.measure, figure(r.ours, r.unit))
	}
	if r.aim.times > 0 {
		word := "at most"
		if r.aim.least {
			word = "at least"
		}
		want = fmt.Sprintf("%s %g", word, r.aim.times)
	}
	if r.theirs > 0 {
		times := r.ours / r.theirs
		ratio = fmt.Sprintf("%.3g", times)
		met = "met"
		if r.aim.least && times < r.aim.times || !r.aim.least && times > r.aim.times {
			met = "**not met**"
		}
	}
	if r.aim.times == 0 {
		met = ""
	}
	return fmt.Sprintf("| %s | %s | %s (%s) | %s | %s | %s |", r.measure, figure(r.ours, r.unit), figure(r.theirs, r.unit), r.peer, ratio, want, met)
}

func figure(v float64, unit string) string { return strings.TrimSpace(fmt.Sprintf("%.4g %s", v, unit)) }

// comparing is one run of the whole table.
type comparing struct {
	o    options
	work string
	n    int    // measurements so far
	own  string // where bytes are counted: on a device of its own, or empty
	rows []row
	lost int // by posthouse
	err  error
}

// compareAll measures everything beside the peers, neighbour by neighbour, and
// prints one table. A figure is the median of the runs.
func compareAll(ctx context.Context, o options, work string, out io.Writer) error {
	o.maxTime = maxTime
	c := &comparing{o: o, work: work}
	if o.device != "" {
		own, err := os.MkdirTemp(o.device, "posthouse-load-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(own)
		c.own = own
	}
	load := loadAverage()
	for _, part := range []func(context.Context){c.fullRate, c.offered, c.oneASecond, c.crashes, c.mails, c.backlogs} {
		if part(ctx); c.err != nil {
			return c.err
		}
	}
	fmt.Fprintf(out, "load average %s before, %s after; %d runs\n\n", load, loadAverage(), o.runs)
	fmt.Fprintln(out, "| measure | posthouse | peer | ratio | aim | |\n| --- | ---: | ---: | ---: | ---: | --- |")
	for _, r := range c.rows {
		fmt.Fprintln(out, r)
	}
	if c.lost > 0 {
		return fmt.Errorf("%d confirmed texts were lost", c.lost)
	}
	return nil
}

func loadAverage() string {
	b, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Join(strings.Fields(string(b))[:3], " ")
}

// count is a share of a count, never none.
func (c *comparing) count(n int) int { return max(2, int(float64(n)*c.o.scale)) }

// run measures each target in turn, runs times, and gives the results by target.
func (c *comparing) run(ctx context.Context, runs int, change func(*options), targets ...string) map[string][]result {
	by := map[string][]result{}
	o := c.o
	change(&o)
	o.window = max(o.window, o.senders)
	for i := range runs * len(targets) {
		if c.err != nil || ctx.Err() != nil {
			c.err = errors.Join(c.err, ctx.Err())
			break
		}
		target := targets[i%len(targets)]
		c.n++
		r, err := measure(ctx, o, target, filepath.Join(c.work, fmt.Sprint(c.n)))
		if err != nil {
			c.err = fmt.Errorf("%s: %w", target, err)
			break
		}
		if target == daemon {
			c.lost += r.Lost
		}
		if line, err := json.Marshal(r); err == nil {
			fmt.Fprintf(os.Stderr, "%s %s %s\n", time.Now().Format(time.TimeOnly), o.way, line)
		}
		by[target] = append(by[target], r)
	}
	for _, t := range targets {
		if len(by[t]) == 0 { // an error ended it
			by[t] = []result{{}}
		}
	}
	return by
}

// against adds a row of medians.
func (c *comparing) against(by map[string][]result, peer, measure, unit string, a aim, of func(result) float64) {
	c.rows = append(c.rows, row{measure: measure, unit: unit, peer: peer, ours: median(by[daemon], of), theirs: median(by[peer], of), aim: a})
}

func (c *comparing) alone(by map[string][]result, measure, unit string, of func(result) float64) {
	c.rows = append(c.rows, row{measure: measure, unit: unit, ours: median(by[daemon], of)})
}

func perSecond(r result) float64 { return r.PerSecond }
func p50(r result) float64       { return r.P50 }
func p99(r result) float64       { return r.P99 }
func cpu(r result) float64       { return r.CPU }

// bytes adds a row about what the device was written. Where somebody else writes
// to the disk, the load is carried once more on a device of its own.
func (c *comparing) bytes(ctx context.Context, by map[string][]result, measure string, a aim, change func(*options)) {
	if c.own != "" {
		work := c.work
		c.work = c.own
		by = c.run(ctx, 1, change, daemon, durable)
		c.work = work
	}
	c.against(by, durable, measure, "kB", a, func(r result) float64 { return r.Device / 1000 })
}

func (c *comparing) fullRate(ctx context.Context) {
	load := func(o *options) { o.texts = c.count(20_000) }
	by := c.run(ctx, c.o.runs, load, daemon, memory, durable)
	c.against(by, durable, "full rate, delivered", "/s", atLeast(5), perSecond)
	c.against(by, memory, "full rate, delivered", "/s", atLeast(0.55), perSecond)
	c.bytes(ctx, by, "device bytes a text, full rate", atMost(0.1), load)
	c.against(by, memory, "CPU time a text, full rate", "us", aim{}, cpu)
	c.against(by, durable, "CPU time a text, full rate", "us", aim{}, cpu)
}

func (c *comparing) offered(ctx context.Context) {
	for _, rate := range []int{100, 1000} {
		targets := []string{daemon, memory}
		if rate == 100 { // at 1,000 it cannot keep up
			targets = append(targets, durable)
		}
		load := func(o *options) { o.texts, o.rate = c.count(10*rate), float64(rate) }
		by := c.run(ctx, c.o.runs, load, targets...)
		at := fmt.Sprintf(" at %d/s", rate)
		c.against(by, memory, "p50"+at, "ms", atMost(1.6), p50)
		c.against(by, memory, "p99"+at, "ms", atMost(2), p99)
		c.against(by, memory, "CPU time a text"+at, "us", aim{}, cpu)
		if rate == 100 {
			c.against(by, durable, "CPU time a text"+at, "us", aim{}, cpu)
			c.bytes(ctx, by, "device bytes a text"+at, atMost(2.2), load)
		}
	}
}

func (c *comparing) oneASecond(ctx context.Context) {
	load := func(o *options) { o.texts, o.rate, o.senders = c.count(45), 1, 1 }
	var by map[string][]result
	if c.own == "" {
		by = c.run(ctx, 1, load, daemon, durable)
	}
	c.bytes(ctx, by, "device bytes a text, one a second", aim{}, load)
}

// crashes kills the carrier under load, and while the far broker is away.
func (c *comparing) crashes(ctx context.Context) {
	kills := c.count(10)
	by := c.run(ctx, 1, func(o *options) { o.texts, o.rate, o.kills = c.count(10_000), 500, kills }, daemon, durable, memory)
	lost := func(r result) float64 { return float64(r.Lost) }
	copies := func(r result) float64 { return float64(r.Duplicates) / float64(max(1, r.Kills)) }
	c.against(by, durable, fmt.Sprintf("lost, %d kills at 500/s", kills), "", aim{}, lost)
	c.against(by, memory, fmt.Sprintf("lost, %d kills at 500/s", kills), "", aim{}, lost)
	c.against(by, durable, "copies a kill", "", atMost(0.2), copies)
	by = c.run(ctx, 1, func(o *options) { o.texts, o.queued, o.kills = c.count(5000), c.count(5000), kills }, daemon)
	c.alone(by, fmt.Sprintf("lost, %d kills while the far broker is away", kills), "", lost)
}

// mails compares both ways between mesh and mail with a relay between mail and
// mail.
func (c *comparing) mails(ctx context.Context) {
	accepted := func(r result) float64 { return r.Accepted }
	ways := func(n int, rate float64) (in, out, peer []result) {
		load := func(w way) func(*options) {
			return func(o *options) {
				o.way, o.texts, o.rate, o.direct = w, n, rate, w == mailToMesh
				if w != meshToMail { // one mail at a time on each of ten connections
					o.senders, o.window = 10, 10
				}
			}
		}
		for range c.o.runs {
			in = append(in, c.run(ctx, 1, load(mailToMesh), daemon)[daemon]...)
			out = append(out, c.run(ctx, 1, load(meshToMail), daemon)[daemon]...)
			peer = append(peer, c.run(ctx, 1, load(mailToMail), relay)[relay]...)
		}
		return in, out, peer
	}
	beside := func(ours, peer []result) map[string][]result { return map[string][]result{daemon: ours, relay: peer} }
	in, out, peer := ways(c.count(2000), 0)
	c.against(beside(in, peer), relay, "SMTP accepted, 10 connections (mail to mesh)", "/s", atLeast(5), accepted)
	c.against(beside(out, peer), relay, "mails delivered to the smarthost (mesh to mail)", "/s", atLeast(5), perSecond)
	c.alone(beside(in, peer), "CPU time a mail to a mesh", "us", cpu)
	c.alone(beside(out, peer), "CPU time a mail from a mesh", "us", cpu)
	in, out, peer = ways(c.count(500), 50)
	c.against(beside(in, peer), relay, "p99 at 50/s, mail to the broker", "ms", atMost(0.25), p99)
	c.against(beside(out, peer), relay, "p99 at 50/s, broker to the sink's DATA", "ms", atMost(0.25), p99)
}

// backlogs fills the queue while the far broker is away, starts the daemon again
// in the midst of it, and lets everything out.
func (c *comparing) backlogs(ctx context.Context) {
	for _, q := range []struct {
		texts, runs int
		aim         float64
	}{{100_000, c.o.runs, 0.15}, {1_000_000, 1, 0.02}} {
		n := c.count(q.texts)
		fill := func(starts bool) func(o *options) {
			return func(o *options) { o.texts, o.queued, o.starts = n, n, starts }
		}
		by := c.run(ctx, q.runs, fill(true), daemon)
		by[memory] = c.run(ctx, q.runs, fill(false), memory)[memory]
		c.against(by, memory, fmt.Sprintf("RssAnon growth with %d queued", n), "MiB", atMost(q.aim), func(r result) float64 { return r.QueuedGrowth })
		if n < c.count(1_000_000) {
			continue
		}
		r := by[daemon][0]
		c.rows = append(c.rows,
			row{measure: fmt.Sprintf("start to ready after kill -9, %d queued", n), unit: "ms", peer: "JetStream, quoted", ours: r.StartWarm, theirs: jetStreamStart, aim: atMost(0.15)},
			row{measure: fmt.Sprintf("the same, %d finished", n), unit: "ms", peer: "JetStream, quoted", ours: r.StartDone, theirs: jetStreamStart, aim: atMost(0.15)},
			row{measure: "the same, cold", unit: "ms", peer: "the aim", ours: r.StartCold, theirs: coldStart, aim: atMost(1)})
		c.alone(by, fmt.Sprintf("%d queued, then delivered", n), "/s", perSecond)
	}
}
