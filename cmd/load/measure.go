package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"time"
)

// quiet is how long nothing may arrive before what is missing counts as lost. A
// daemon that comes back waits up to 30 s for its broker.
const quiet = 45 * time.Second

// settled is how long after the last text memory is measured: what a queue holds,
// and not what taking it in left behind.
const settled = 5 * time.Second

// measure carries one load through one target.
func measure(ctx context.Context, o options, target, dir string) (r result, err error) {
	if !o.keep {
		defer os.RemoveAll(dir)
	}
	ctx, cancel := context.WithTimeout(ctx, o.maxTime)
	defer cancel()
	t := newTally(o.texts)
	box, err := newPostbox(t)
	if err != nil {
		return r, err
	}
	defer box.end()
	if target == relay {
		return relayed(ctx, o, t, box)
	}
	smarthost := ""
	if o.way == meshToMail {
		smarthost = box.addr
	}
	s, err := newStage(ctx, o, target, dir, smarthost)
	if err != nil {
		return r, err
	}
	defer s.end()
	st, err := newStations(s, t)
	defer st.leave()
	if err != nil {
		return r, err
	}
	return through(ctx, s, st)
}

// through carries the load through a stage that stands.
func through(ctx context.Context, s *stage, st *stations) (r result, err error) {
	if err := st.open(ctx); err != nil {
		return r, err
	}
	handIn := st.publish
	if s.o.way == mailToMesh {
		w, err := newWriters(s.o, st.t, s.smtp, func(i int) string { return farOf(i%s.o.senders) + "@" + radioDomain })
		if err != nil {
			return r, err
		}
		defer w.leave()
		handIn = w.handIn
	}
	r = newResult(s.target, s.o)
	before, device := usageOf(s.carrier), deviceWritten(s.dir)
	commits := commitsIn(s.get("/metrics"))
	begun := st.t.now()
	if s.o.queued > 0 {
		if err := fill(ctx, s, st, before, &r); err != nil {
			return r, err
		}
		begun = st.t.now()
	} else if err = sendAndKill(ctx, s, st.t, handIn, s.o.kills); err != nil {
		return r, err
	}
	drain(ctx, st.t, s.o.direct && s.o.way == meshToMesh)
	time.Sleep(500 * time.Millisecond) // a little for duplicates
	r.fill(st.t, begun)
	r.cost(before, usageOf(s.carrier), deviceWritten(s.dir)-device)
	if s.isDaemon && r.CPU > 0 {
		r.Commits = math.Round(1e4*(commitsIn(s.get("/metrics"))-commits)/float64(r.Arrived)) / 1e4 // at full rate a commit takes hundreds
	}
	if s.o.starts {
		if r.StartDone, err = s.timeStart(ctx, false); err != nil {
			return r, err
		}
	}
	return r, s.profile(ctx)
}

// relayed carries mails through a Postfix.
func relayed(ctx context.Context, o options, t *tally, box *postbox) (r result, err error) {
	p, err := startPostfix(ctx, o.dir, box.addr)
	if p != nil {
		defer func() { err = errors.Join(err, p.stop()) }()
	}
	if err != nil {
		return r, err
	}
	w, err := newWriters(o, t, p.addr, addressOf)
	if err != nil {
		return r, err
	}
	defer w.leave()
	r = newResult(relay, o)
	begun := t.now()
	send(ctx, t, o, w.handIn)
	drain(ctx, t, false)
	time.Sleep(500 * time.Millisecond)
	r.fill(t, begun)
	return r, nil
}

// sendAndKill has everything handed in; meanwhile the carrier is killed when so
// many texts are out as chance says.
func sendAndKill(ctx context.Context, s *stage, t *tally, handIn func(context.Context, int), kills int) (err error) {
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		send(ctx, t, s.o, handIn)
	}()
	moments := make([]int64, max(0, kills))
	for i := range moments {
		moments[i] = rand.Int64N(int64(s.o.texts))
	}
	slices.Sort(moments)
	for i, at := range moments {
		for t.offered.Load() < at && ctx.Err() == nil {
			time.Sleep(time.Millisecond)
		}
		if err = s.kill(ctx); err != nil {
			err = fmt.Errorf("starting %s again after kill %d: %w\n%s", s.target, i+1, err, tail(s.carrier.log))
			break
		}
	}
	<-sent
	return err
}

// fill takes the far broker away, sends everything into the queue, notes what
// that takes, and brings the broker back. Its session remembers who listened. The
// last of the kills comes when all is queued.
func fill(ctx context.Context, s *stage, st *stations, before usage, r *result) error {
	begun := st.t.now()
	s.far.end(syscall.SIGTERM)
	if err := sendAndKill(ctx, s, st.t, st.publish, s.o.kills-1); err != nil {
		return err
	}
	err := awaitLong(ctx, func() bool { return !s.isDaemon || waiting(s.get("/metrics")) >= count(st.t.confirmed) })
	if err != nil {
		return fmt.Errorf("%d of %d texts in the queue: %w", waiting(s.get("/metrics")), s.o.texts, err)
	}
	r.FillPerSecond = round(float64(s.o.texts) / time.Duration(st.t.now()-begun).Seconds())
	time.Sleep(settled)
	full := usageOf(s.carrier)
	r.QueuedAnon, r.QueuedRSS, r.QueuedGrowth = mib(full.anon), mib(full.rss), mib(full.anon-before.anon)
	if s.o.kills > 0 {
		if err := s.kill(ctx); err != nil {
			return err
		}
	}
	if s.o.starts {
		if r.StartWarm, err = s.timeStart(ctx, false); err != nil {
			return err
		}
		if r.StartCold, err = s.timeStart(ctx, true); err != nil {
			return err
		}
	}
	if err := s.far.start(); err != nil {
		return err
	}
	for i := range st.t.due { // the far side's rate and latency count from here
		st.t.due[i].Store(st.t.now())
	}
	return nil
}

// timeStart kills the daemon and gives the milliseconds from its next start to
// when it takes messages over; cold, with nothing of its files in memory.
func (s *stage) timeStart(ctx context.Context, cold bool) (float64, error) {
	s.carrier.end(syscall.SIGKILL)
	deviceWritten(s.dir) // what is dirty cannot be dropped, and writing it back is not the start's work
	if cold {
		if err := s.forgetFiles(); err != nil {
			return 0, err
		}
	}
	begun := time.Now()
	if err := s.carrier.start(); err != nil {
		return 0, err
	}
	err := awaitLong(ctx, s.ready)
	return ms(time.Since(begun)), err
}

// forgetFiles drops the daemon's data and program from the kernel's memory.
func (s *stage) forgetFiles() error {
	data := filepath.Join(s.dir, "data")
	files, err := os.ReadDir(data)
	all := []error{err, forget(s.carrier.path)}
	for _, f := range files {
		if f.Type().IsRegular() {
			all = append(all, forget(filepath.Join(data, f.Name())))
		}
	}
	return errors.Join(all...)
}

var committed = regexp.MustCompile(`(?m)^posthouse_store_commit_seconds_count (\S+)$`)

// commitsIn tells how often the daemon's metrics say that it has written.
func commitsIn(metrics string) float64 {
	m := committed.FindStringSubmatch(metrics)
	if m == nil {
		return 0
	}
	n, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		return 0
	}
	return n
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
