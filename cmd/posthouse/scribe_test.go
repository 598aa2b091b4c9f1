package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"
)

// A reader of the log that stands still stops nobody: texts go on, and a stop is as short as
// ever.
func TestNobodyReadsTheLog(t *testing.T) {
	t.Parallel()
	lake, pond := freePort(t), freePort(t)
	d := newDaemon(t, append(append(ownMesh("lake", lake), ownMesh("pond", pond)...), "POSTHOUSE_LINKS=lake,pond", "POSTHOUSE_RATE=10000/1s")...)
	read, write, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer read.Close()
	room, err := unix.FcntlInt(write.Fd(), unix.F_SETPIPE_SZ, 4096)
	if err != nil {
		t.Fatal(err)
	}
	d.runInto(write)
	pine, cedar := join(t, lake, "lake", "N0QTP-1"), join(t, pond, "pond", "N0QTC-1")
	cedar.position()
	for i := range room / 100 { // each writes several lines
		id := label(i)
		pine.say(said{ID: id, To: "N0QTC-1", Text: "all well here " + id})
		pine.expectAck(id)
	}
	d.stop()
}

// reader is the other end of a log.
type reader struct {
	pipe chan string
	got  strings.Builder
}

func (r *reader) Write(b []byte) (int, error) {
	r.pipe <- string(b)
	return len(b), nil
}

// wakes reads until nothing has come for a moment.
func (r *reader) wakes() {
	for {
		select {
		case line := <-r.pipe:
			r.got.WriteString(line)
		case <-time.After(time.Millisecond):
			return
		}
	}
}

// Nobody waits for a reader, what is kept is bounded, and whoever reads on learns how much is
// missing.
func TestScribe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := &reader{pipe: make(chan string)}
		s := newScribe(r)
		log := slog.New(slog.NewTextHandler(s, nil))
		s.log.Store(log)
		const size, more = 50_000, 100
		begun := time.Now()
		log.Info("line 0")
		synctest.Wait() // it is on its way, and nobody reads it
		for i := range more {
			log.Info(fmt.Sprintf("line %d", i+1), "with", strings.Repeat("x", size))
		}
		if waited := time.Since(begun); waited != 0 {
			t.Errorf("the lines waited for %v", waited)
		}
		lost := s.lost()
		if least, most := int64(more-unreadBytes/size), int64(more-unreadBytes/(size+100)); lost < least || lost > most {
			t.Errorf("%d lines of %d bytes were lost, want %d to %d", lost, size, least, most)
		}
		r.wakes()
		if n := int64(strings.Count(r.got.String(), "line ")); n != more+1-lost {
			t.Errorf("%d lines were read, want %d", n, more+1-lost)
		}
		if want := fmt.Sprintf("lines=%d\n", lost); !strings.HasSuffix(r.got.String(), want) {
			t.Errorf("the last line does not say %s", want)
		}
		log.Info("again")
		var last sync.WaitGroup
		last.Go(r.wakes)
		s.close()
		last.Wait()
		if !strings.HasSuffix(r.got.String(), "again\n") || strings.Count(r.got.String(), "were lost") != 1 {
			t.Errorf("at the end was read: %q", tail(r.got.String(), 6))
		}
	})
}

// A stop waits only so long for a reader.
func TestScribeEndsWithoutAReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := &reader{pipe: make(chan string)}
		s := newScribe(r)
		fmt.Fprintln(s, "the last word")
		begun := time.Now()
		s.close()
		if waited := time.Since(begun); waited != readerWait {
			t.Errorf("the end waited for %v, want %v", waited, readerWait)
		}
		r.wakes()
	})
}

// A reader that takes each line at once has them all at the end, in order.
func TestScribeOfAQuickReader(t *testing.T) {
	var all bytes.Buffer
	s := newScribe(&all)
	for i := range 1000 {
		fmt.Fprintln(s, label(i))
	}
	s.close()
	if got := strings.Fields(all.String()); len(got) != 1000 || got[0] != label(0) || got[999] != label(999) {
		t.Errorf("%d lines were read", len(got))
	}
}
