// Command load drives texts from one Mosquitto broker through posthouse to
// another at QoS 1, and says what came of them: how many were confirmed,
// arrived, lost or doubled, how fast, and what it cost.
//
//	go run ./cmd/load                     as fast as it goes, everybody to ALL
//	go run ./cmd/load -rate 100           so many a second; latency from the moment each was due
//	go run ./cmd/load -direct             to single stations, which acknowledge each
//	go run ./cmd/load -way "mesh to mail" through the mail link; with -peer beside a Postfix
//	go run ./cmd/load -kill 5             with kill -9 at random moments
//	go run ./cmd/load -queued 10000       with the far broker away until so many wait; with -kill, too
//	go run ./cmd/load -peer -runs 3       beside a third Mosquitto in the daemon's place
//	go run ./cmd/load -soak 10m           a day in ten minutes; what does it leave behind?
//	go run ./cmd/load -table -runs 3      everything, beside Mosquitto and Postfix, in one table
//
// It needs the mosquitto program (-table: and postfix, as root), listens on loopback only, ends by count and by
// time, and ends what it started. It fails when a confirmed text was lost.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"
)

// options are the command's flags.
type options struct {
	texts, senders, window int
	rate                   float64
	size                   int
	direct, builtin, peer  bool
	way                    way
	starts, table          bool
	scale                  float64
	keep                   bool
	kills, queued, runs    int
	program, dir, profile  string
	device                 string
	from, to               string
	maxTime, soak, keepLog time.Duration
}

// Bounds of one run: what a small machine has memory for.
const (
	maxTexts   = 2_000_000
	maxSenders = 25 * 15 // call signs that callOf can make
	maxTime    = time.Hour
)

func main() {
	o, err := parse(os.Args[1:])
	if errors.Is(err, flag.ErrHelp) {
		return
	}
	if err == nil {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		defer stop()
		err = run(ctx, o)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

func parse(args []string) (options, error) {
	var o options
	f := flag.NewFlagSet("load", flag.ContinueOnError)
	f.IntVar(&o.texts, "n", 20000, "texts to send")
	f.IntVar(&o.senders, "senders", 10, "stations that write, each on a connection of its own")
	f.IntVar(&o.window, "window", 100, "texts that wait for their PUBACK at once")
	f.Float64Var(&o.rate, "rate", 0, "texts a second that are offered; 0: as fast as the window lets")
	f.IntVar(&o.size, "size", 100, "bytes in a text")
	f.StringVar((*string)(&o.way), "way", string(meshToMesh), "between what the texts travel: mesh to mesh, mail to mesh, mesh to mail")
	f.BoolVar(&o.direct, "direct", false, "write to single stations, which acknowledge each text")
	f.BoolVar(&o.builtin, "builtin", false, "publish to the daemon's built-in broker: a PUBACK is then its own word")
	f.BoolVar(&o.peer, "peer", false, "carry the same load through a third Mosquitto, in memory and durable; mails through a Postfix")
	f.IntVar(&o.kills, "kill", 0, "kill the daemon so often, at random moments of the load")
	f.IntVar(&o.queued, "queued", 0, "fill the queue with so many while the far broker is away (instead of -n)")
	f.BoolVar(&o.starts, "starts", false, "with -queued: time the start after kill -9, when all are queued and when all are delivered")
	f.IntVar(&o.runs, "runs", 1, "repeat everything so often; the ratios are of medians")
	f.StringVar(&o.program, "posthouse", "", "the daemon's program (default: built from this module)")
	f.StringVar(&o.dir, "dir", "", "where to put data folders: the disk that is measured (default: the temporary folder)")
	f.StringVar(&o.profile, "profile", "", "write the daemon's CPU profile here; it is built with the tag profile")
	f.BoolVar(&o.keep, "keep", false, "leave the logs and data folders, in -dir")
	f.StringVar(&o.from, "from", "", "a broker that runs already, to publish to (tcp://127.0.0.1:PORT)")
	f.StringVar(&o.to, "to", "", "a broker that runs already, to receive at")
	f.BoolVar(&o.table, "table", false, "measure everything beside Mosquitto and Postfix, and print one table; takes about 20 minutes")
	f.StringVar(&o.device, "device", "", "with -table: a folder on a device that nobody else writes to, for what is said about bytes")
	f.Float64Var(&o.scale, "scale", 1, "with -table: this share of every count")
	f.DurationVar(&o.soak, "soak", 0, "let a day pass in this time instead, and see what it leaves behind")
	f.DurationVar(&o.maxTime, "max-time", 2*time.Minute, "end a run after this long")
	if err := f.Parse(args); err != nil {
		return o, err
	}
	if o.queued > 0 {
		o.texts = o.queued
	}
	o.direct = o.direct || o.way == mailToMesh // a mail is for one station, which has to be heard
	if o.profile != "" {                       // the daemon's folder is another one
		var err error
		if o.profile, err = filepath.Abs(o.profile); err != nil {
			return o, err
		}
	}
	return o, o.check()
}

func (o *options) check() error {
	switch {
	case o.texts < 1 || o.texts > maxTexts:
		return fmt.Errorf("-n must be 1 to %d", maxTexts)
	case o.senders < 1 || o.senders > maxSenders:
		return fmt.Errorf("-senders must be 1 to %d", maxSenders)
	case o.window < o.senders:
		o.window = o.senders
	case o.way != meshToMesh && o.way != mailToMesh && o.way != meshToMail:
		return fmt.Errorf("-way is %q, %q or %q", meshToMesh, mailToMesh, meshToMail)
	case o.way != meshToMesh && (o.queued > 0 || o.soak > 0 || o.table):
		return errors.New("-way goes with neither -queued, -soak nor -table, which has all ways")
	case o.size < 20 || o.size > 140:
		return errors.New("-size must be 20 to 140: a number and what one frame takes")
	case o.maxTime <= 0 || o.maxTime > maxTime:
		return fmt.Errorf("-max-time must be up to %v", maxTime)
	case o.soak < 0 || o.soak > 24*time.Hour || o.soak > 0 && (o.to != "" || o.kills > 0 || o.peer || o.queued > 0):
		return errors.New("-soak is up to 24h, and goes with neither -to, -kill, -peer nor -queued")
	case o.queued > 0 && o.to != "":
		return errors.New("-queued does not go with -to")
	case o.table && (o.from != "" || o.to != "" || o.builtin || o.profile != "") || o.scale <= 0 || o.scale > 1:
		return errors.New("-table goes with neither -from, -to, -builtin nor -profile, and -scale is up to 1")
	case (o.from != "" || o.to != "") && (o.peer || o.runs > 1):
		return errors.New("-from and -to go with neither -peer nor -runs: each run needs fresh brokers")
	case o.profile != "" && (o.kills > 0 || o.runs > 1):
		return errors.New("-profile is of one run without -kill")
	case o.from != "" && o.builtin:
		return errors.New("-builtin has the daemon's own broker to publish to, -from another one")
	}
	return errors.Join(loopback("-from", o.from), loopback("-to", o.to))
}

// loopback keeps a load test from reaching anybody.
func loopback(name, broker string) error {
	if broker == "" {
		return nil
	}
	u, err := url.Parse(broker)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if ip := net.ParseIP(u.Hostname()); ip == nil || !ip.IsLoopback() {
		return fmt.Errorf("%s: %s is not an address of this machine's loopback, like 127.0.0.1", name, broker)
	}
	return nil
}

// run measures each target in turn, so often as is asked, and prints.
func run(ctx context.Context, o options) error {
	work, err := os.MkdirTemp(o.dir, "posthouse-load-")
	if err != nil {
		return err
	}
	if !o.keep {
		defer os.RemoveAll(work)
	}
	if o.program == "" {
		o.program = filepath.Join(work, "posthouse")
		if err := build(ctx, o); err != nil {
			return err
		}
	}
	if o.soak > 0 {
		return soak(ctx, o, filepath.Join(work, "soak"), os.Stdout)
	}
	if o.table {
		return compareAll(ctx, o, work, os.Stdout)
	}
	targets := []string{daemon}
	switch {
	case o.peer && o.way == meshToMesh:
		targets = append(targets, memory, durable)
	case o.peer:
		targets = append(targets, relay)
	}
	var all []result
	for i := range o.runs * len(targets) {
		dir := filepath.Join(work, fmt.Sprint(i))
		r, err := measure(ctx, o, targets[i%len(targets)], dir)
		if err != nil {
			return fmt.Errorf("%s: %w", targets[i%len(targets)], err)
		}
		all = append(all, r)
	}
	return report(os.Stdout, all)
}

func build(ctx context.Context, o options) error {
	args := []string{"build", "-o", o.program}
	if o.profile != "" {
		args = append(args, "-tags", "profile")
	}
	cmd := exec.CommandContext(ctx, "go", append(args, "posthouse/cmd/posthouse")...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0") // as it is released
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("building the daemon (give one with -posthouse): %w", err)
	}
	return nil
}
