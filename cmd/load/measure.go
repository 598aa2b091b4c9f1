package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"time"
)

// quiet is how long nothing may arrive before what is missing counts as lost. A
// daemon that comes back waits up to 30 s for its broker.
const quiet = 45 * time.Second

// measure carries one load through one target.
func measure(ctx context.Context, o options, target, dir string) (r result, err error) {
	if !o.keep {
		defer os.RemoveAll(dir)
	}
	ctx, cancel := context.WithTimeout(ctx, o.maxTime)
	defer cancel()
	s, err := newStage(ctx, o, target, dir)
	if err != nil {
		return r, err
	}
	defer s.end()
	t := newTally(o.texts)
	st, err := newStations(s, t)
	defer st.leave()
	if err != nil {
		return r, err
	}
	if err := st.open(ctx); err != nil {
		return r, err
	}
	before := usageOf(s.carrier)
	r = result{Target: target, Texts: o.texts, Senders: o.senders, Rate: o.rate, Direct: o.direct, Builtin: o.builtin && s.isDaemon}
	begun := t.now()
	if o.queued > 0 {
		if err := fill(ctx, s, st, &r); err != nil {
			return r, err
		}
		begun = t.now()
	} else if r.Kills, err = sendAndKill(ctx, s, st); err != nil {
		return r, err
	}
	drain(ctx, t, o.direct)
	time.Sleep(500 * time.Millisecond) // a little for duplicates
	r.fill(t, begun)
	r.cost(before, usageOf(s.carrier))
	return r, s.profile(ctx)
}

// sendAndKill sends everything; meanwhile a daemon is killed when so many texts
// are out as chance says.
func sendAndKill(ctx context.Context, s *stage, st *stations) (killed int, err error) {
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		st.send(ctx)
	}()
	if !s.isDaemon {
		<-sent
		return 0, nil
	}
	moments := make([]int64, s.o.kills)
	for i := range moments {
		moments[i] = rand.Int64N(int64(s.o.texts))
	}
	slices.Sort(moments)
	for _, at := range moments {
		for st.t.offered.Load() < at && ctx.Err() == nil {
			time.Sleep(time.Millisecond)
		}
		if err = s.kill(ctx); err != nil {
			err = fmt.Errorf("starting the daemon again after kill %d: %w\n%s", killed+1, err, tail(s.carrier.log))
			break
		}
		killed++
	}
	<-sent
	return killed, err
}

// fill takes the far broker away, sends everything into the queue, notes what
// that takes, and brings the broker back. Its session remembers who listened.
func fill(ctx context.Context, s *stage, st *stations, r *result) error {
	begun := st.t.now()
	s.far.end(syscall.SIGTERM)
	st.send(ctx)
	err := await(ctx, func() bool { return waiting(s.get("/metrics")) >= s.o.texts })
	if err != nil {
		return fmt.Errorf("%d of %d texts in the queue: %w", waiting(s.get("/metrics")), s.o.texts, err)
	}
	r.FillPerSecond = round(float64(s.o.texts) / time.Duration(st.t.now()-begun).Seconds())
	full := usageOf(s.carrier)
	r.QueuedAnon, r.QueuedRSS = mib(full.anon), mib(full.rss)
	if err := s.far.start(); err != nil {
		return err
	}
	for i := range st.t.due { // the far side's rate and latency count from here
		st.t.due[i].Store(st.t.now())
	}
	return nil
}

var queued = regexp.MustCompile(`(?m)^posthouse_queue_messages\{link="hill"[^}]*\} (\S+)$`)

// waiting adds up what the daemon's metrics say waits for the far mesh.
func waiting(metrics string) int {
	sum := 0.0
	for _, m := range queued.FindAllStringSubmatch(metrics, -1) {
		n, err := strconv.ParseFloat(m[1], 64)
		if err == nil {
			sum += n
		}
	}
	return int(sum)
}

// drain waits until all that was confirmed has arrived, or nothing comes any
// more.
func drain(ctx context.Context, t *tally, withReceipts bool) {
	left, since := -1, time.Now()
	for ctx.Err() == nil && left != 0 && time.Since(since) < quiet {
		if n := t.missing(withReceipts); n != left {
			left, since = n, time.Now()
		}
		time.Sleep(20 * time.Millisecond)
	}
}
