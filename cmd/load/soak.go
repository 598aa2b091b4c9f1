package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"text/tabwriter"
	"time"
)

const (
	hours = 24
	// stormHour is when the far broker is away and everybody writes: what waits
	// then, and is purged later, leaves a file that is worth compacting.
	stormHour = 6

	busyRate = 100 // texts a second by day, a quarter of that at night
	storm    = 20_000
)

// What a day may leave behind beyond what there was after its first hour: in
// bytes, goroutines and open files.
const (
	leftMemory     = 24 << 20
	leftRoutines   = 16
	leftFiles      = 8
	leftData       = 32 << 20 // so much may lie free in the file before it is compacted
	identity       = 256      // bytes that one text is remembered by, for two hours at least
	keptHours      = 2        // that the station log is kept
	visitsEachHour = 40
)

// soak lets a whole day pass in the time that is given: traffic by the hour, a
// far broker that goes and comes, visitors of the page, hangers-on, and a log
// that is kept for two of the hours, so that retention and compaction run
// meanwhile. It fails when a confirmed text was lost, or when the daemon does
// not come back to what it was.
func soak(ctx context.Context, o options, dir string, out io.Writer) error {
	ctx, cancel := context.WithTimeout(ctx, 3*o.soak+10*time.Minute)
	defer cancel()
	hour := o.soak / hours
	o.keepLog = keptHours * hour
	o.texts = 0
	for h := range hours {
		o.texts += textsAt(h, hour)
	}
	s, err := newStage(ctx, o, daemon, dir, "")
	if err != nil {
		return err
	}
	defer s.end()
	d := &day{s: s, t: newTally(o.texts), hour: hour}
	d.st, err = newStations(s, d.t)
	defer d.st.leave()
	if err != nil {
		return err
	}
	if err := d.st.open(ctx); err != nil {
		return err
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(table, "hour\ttexts\tanon MiB\tgoroutines\tfiles\tdata MiB\trecords\t")
	var first, most remains
	for h := range hours {
		if err := d.pass(ctx, h); err != nil {
			return fmt.Errorf("hour %d: %w", h, err)
		}
		now, err := d.look()
		if err != nil {
			return err
		}
		now.print(table, strconv.Itoa(h), textsAt(h, hour))
		most = most.or(now)
		if h == 0 {
			first = now
		}
	}
	last, err := d.rest(ctx, first)
	last.print(table, "after", 0)
	most.print(table, "most", o.texts)
	table.Flush()
	compacted := strings.Count(readAll(s.carrier.log), "the queue's file was compacted")
	fmt.Fprintf(out, "%d of %d confirmed texts arrived, %d copies; the file was compacted %d times\n", count(d.t.arrived), count(d.t.confirmed), d.t.duplicates(), compacted)
	return err
}

// textsAt is how many texts an hour has.
func textsAt(h int, hour time.Duration) int {
	n := int(busyRate * hour.Seconds())
	switch {
	case h == stormHour:
		return max(n, min(storm, 20*n))
	case h < 8 || h >= 20:
		return n/4 + 1
	}
	return n
}

// day is one soak.
type day struct {
	s    *stage
	st   *stations
	t    *tally
	hour time.Duration
	next int // the number of the next text
}

// pass lets one hour pass and waits until all that was written in it has come.
func (d *day) pass(ctx context.Context, h int) error {
	var side sync.WaitGroup
	side.Go(func() { d.visit(ctx) })
	away := h%6 == 0 && h > 0
	if away {
		d.s.far.end(syscall.SIGTERM)
	}
	n := textsAt(h, d.hour)
	d.write(ctx, d.next, d.next+n)
	d.next += n
	side.Wait()
	if away {
		if err := d.s.far.start(); err != nil {
			return err
		}
	}
	return d.settle(ctx)
}

func (d *day) settle(ctx context.Context) error {
	drain(ctx, d.t, d.s.o.direct)
	if n := d.t.missing(d.s.o.direct); n > 0 {
		return fmt.Errorf("%d confirmed texts are lost", n)
	}
	return await(ctx, func() bool { return waiting(d.s.get("/metrics")) == 0 })
}

// write spreads texts over the hour.
func (d *day) write(ctx context.Context, from, to int) {
	due := make(chan int)
	var workers sync.WaitGroup
	for range d.s.o.window {
		workers.Go(func() {
			for i := range due {
				d.t.due[i].Store(d.t.now())
				d.st.publish(ctx, i)
			}
		})
	}
	begun := time.Now()
	for i := from; i < to && ctx.Err() == nil; i++ {
		time.Sleep(time.Until(begun.Add(d.hour * time.Duration(i-from) / time.Duration(to-from))))
		due <- i
	}
	close(due)
	workers.Wait()
}

// visit is what the page, the control socket and the ports see of people and
// machines in an hour; some of them go without a word.
func (d *day) visit(ctx context.Context) {
	for i := range visitsEachHour {
		d.s.get([]string{"/metrics", "/", "/healthz", "/no-such-page"}[i%4])
		if conn, err := net.Dial("tcp", d.s.http); err == nil {
			fmt.Fprint(conn, "GET /metr")
			conn.Close()
		}
	}
	cmd := exec.CommandContext(ctx, d.s.o.program, "queue", "list")
	cmd.Env = d.s.carrier.env
	_ = cmd.Run() // what it shows is other tests' business
}

// remains is what a daemon has taken and not given back.
type remains struct {
	anon, data               int64 // bytes
	routines, files, records int
}

func (r remains) or(o remains) remains {
	return remains{max(r.anon, o.anon), max(r.data, o.data), max(r.routines, o.routines), max(r.files, o.files), max(r.records, o.records)}
}

func (r remains) print(w io.Writer, name string, texts int) {
	fmt.Fprintf(w, "%s\t%d\t%g\t%d\t%d\t%g\t%d\t\n", name, texts, mib(r.anon>>10), r.routines, r.files, mib(r.data>>10), r.records)
}

func (d *day) look() (r remains, err error) {
	if d.s.carrier.cmd == nil {
		return r, errors.New("the daemon does not run")
	}
	r.anon = usageOf(d.s.carrier).anon << 10
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", d.s.carrier.cmd.Process.Pid))
	r.files = len(files)
	page := d.s.get("/metrics")
	r.routines, r.records = series(page, "go_goroutines"), series(page, "posthouse_store_records")
	return r, errors.Join(err, filepath.WalkDir(filepath.Join(d.s.dir, "data"), func(_ string, e fs.DirEntry, err error) error {
		if err == nil && e.Type().IsRegular() {
			var info fs.FileInfo
			if info, err = e.Info(); err == nil {
				r.data += info.Size()
			}
		}
		if errors.Is(err, fs.ErrNotExist) { // gone meanwhile
			return nil
		}
		return err
	}))
}

func series(page, name string) int {
	for line := range strings.Lines(page) {
		if value, ok := strings.CutPrefix(line, name+" "); ok {
			v, _ := strconv.ParseFloat(strings.TrimSpace(value), 64) // a metric is a number
			return int(v)
		}
	}
	return 0
}

// rest waits until the log is purged, and judges what is left.
func (d *day) rest(ctx context.Context, first remains) (last remains, err error) {
	ctx, cancel := context.WithTimeout(ctx, keptHours*d.hour+2*time.Minute)
	defer cancel()
	for {
		if last, err = d.look(); err != nil {
			return last, err
		}
		err = last.beyond(first, d.next)
		if err == nil && last.records == 0 {
			return last, nil
		}
		select {
		case <-ctx.Done():
			if err == nil {
				err = fmt.Errorf("%d finished messages are still in the log", last.records)
			}
			return last, err
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// beyond tells what has not come back to where it was.
func (r remains) beyond(first remains, texts int) error {
	var all []error
	for _, c := range []struct {
		what           string
		was, is, grows int64
	}{
		{"bytes of memory", first.anon, r.anon, leftMemory}, {"goroutines", int64(first.routines), int64(r.routines), leftRoutines},
		{"open files", int64(first.files), int64(r.files), leftFiles}, {"bytes in the data folder", first.data, r.data, leftData + identity*int64(texts)},
	} {
		if c.is > c.was+c.grows {
			all = append(all, fmt.Errorf("%d %s, %d after the first hour", c.is, c.what, c.was))
		}
	}
	return errors.Join(all...)
}

func readAll(file string) string {
	b, err := os.ReadFile(file)
	if err != nil {
		return err.Error()
	}
	return string(b)
}
