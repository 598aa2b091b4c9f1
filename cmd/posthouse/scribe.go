package main

import (
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"
)

const (
	unreadBytes = 1 << 20     // of the log are kept for a reader that stands still
	readerWait  = time.Second // for what is left at the end
	keptBuffer  = 64 << 10    // memory that is not given back after a burst
)

// scribe writes the log. A reader that stands still, as a journal whose disk hangs or a pipe
// that nobody empties, would stop whoever logs, which is the whole gateway. So nobody waits
// for it: lines are kept up to a bound until it reads on, and lost beyond.
type scribe struct {
	to   io.Writer
	some chan struct{} // has a value while there is something to write
	end  chan struct{} // closed by close
	done chan struct{} // closed when all is written

	mu   sync.Mutex
	text []byte // not yet given to the reader

	gone atomic.Int64                // lines that were lost
	told int64                       // of them, in the log; work's own
	log  atomic.Pointer[slog.Logger] // says how many; nil: not yet
}

// newScribe begins to write; close ends it.
func newScribe(to io.Writer) *scribe {
	s := &scribe{to: to, some: make(chan struct{}, 1), end: make(chan struct{}), done: make(chan struct{})}
	go s.work()
	return s
}

// lost is how many lines were lost.
func (s *scribe) lost() int64 { return s.gone.Load() }

// Write takes a line. It never waits and never fails: what is lost is counted.
func (s *scribe) Write(line []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.text)+len(line) > unreadBytes {
		s.gone.Add(1)
		return len(line), nil
	}
	s.text = append(s.text, line...)
	select {
	case s.some <- struct{}{}:
	default:
	}
	return len(line), nil
}

// work writes whole lines, all that there are at once.
func (s *scribe) work() {
	defer close(s.done)
	var text []byte
	for over := false; ; {
		text = s.take(text)
		switch {
		case len(text) > 0:
			_, _ = s.to.Write(text) // a log that cannot be written has no place to say so
			s.tellLost()
			continue
		case over:
			return
		}
		select {
		case <-s.some:
		case <-s.end:
			over = true
		}
	}
}

// take gives what is to be written, and keeps the memory of what was.
func (s *scribe) take(written []byte) []byte {
	if cap(written) > keptBuffer {
		written = nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	text := s.text
	s.text = written[:0]
	return text
}

// tellLost says in the log what is missing there, once somebody reads it again.
func (s *scribe) tellLost() {
	if gone, log := s.gone.Load(), s.log.Load(); gone > s.told && log != nil {
		log.Warn("lines of the log were lost: nobody read it", "lines", gone-s.told)
		s.told = gone
	}
}

// close waits until all is written, but no longer than readerWait.
func (s *scribe) close() {
	close(s.end)
	select {
	case <-s.done:
	case <-time.After(readerWait):
	}
}
