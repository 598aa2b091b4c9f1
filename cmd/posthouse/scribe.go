package main

import (
	"bytes"
	"io"
	"log/slog"
	"sync/atomic"
	"time"
)

// How long the daemon waits for the reader of its log, and what it keeps for it.
const (
	readerWait  = time.Second // for one line, and for all that are left at the end
	unreadLines = 4096
	unreadBytes = 1 << 20
)

// scribe writes the log. A reader that stands still, as a journal whose disk hangs or a pipe
// that nobody empties, would stop whoever logs, which is the whole gateway. So it is waited
// for once; what follows is kept up to a bound until it reads on, and lost beyond.
type scribe struct {
	to    io.Writer
	lines chan *logLine
	bytes atomic.Int64                // in lines
	late  atomic.Bool                 // the reader did not take a line in time, and has not caught up
	gone  atomic.Int64                // lines that were lost
	told  int64                       // of them, in the log; work's own
	log   atomic.Pointer[slog.Logger] // says how many; nil: not yet
	done  chan struct{}
}

type logLine struct {
	text    []byte // none: the end
	written chan struct{}
}

// newScribe begins to write; close ends it.
func newScribe(to io.Writer) *scribe {
	s := &scribe{to: to, lines: make(chan *logLine, unreadLines), done: make(chan struct{})}
	go s.work()
	return s
}

// lost is how many lines were lost.
func (s *scribe) lost() int64 { return s.gone.Load() }

// Write returns once the line is written, or when it was waited for long enough.
func (s *scribe) Write(b []byte) (int, error) {
	l := &logLine{bytes.Clone(b), make(chan struct{})}
	if !s.keep(l) {
		s.gone.Add(1)
		return len(b), nil
	}
	if s.late.Load() {
		return len(b), nil
	}
	patience := time.NewTimer(readerWait)
	defer patience.Stop()
	select {
	case <-l.written:
	case <-patience.C:
		s.late.Store(true)
	}
	return len(b), nil
}

// keep has a line written next, if there is room.
func (s *scribe) keep(l *logLine) bool {
	n := int64(len(l.text))
	if s.bytes.Add(n) <= unreadBytes {
		select {
		case s.lines <- l:
			return true
		default:
		}
	}
	s.bytes.Add(-n)
	return false
}

func (s *scribe) work() {
	defer close(s.done)
	for l := range s.lines {
		if l.text == nil {
			return
		}
		_, _ = s.to.Write(l.text) // a log that cannot be written has no place to say so
		s.bytes.Add(-int64(len(l.text)))
		close(l.written)
		if s.late.Load() && len(s.lines) == 0 {
			s.caughtUp()
		}
	}
}

// caughtUp has lines waited for again. What was lost is said before, while nobody waits.
func (s *scribe) caughtUp() {
	if gone, log := s.gone.Load(), s.log.Load(); gone > s.told && log != nil {
		log.Warn("lines of the log were lost: nobody read it", "lines", gone-s.told)
		s.told = gone
		return // that line comes first
	}
	s.late.Store(false)
}

// close waits until all is written, or as long as for a line.
func (s *scribe) close() {
	patience := time.NewTimer(readerWait)
	defer patience.Stop()
	select {
	case s.lines <- &logLine{}:
	case <-patience.C:
		return
	}
	select {
	case <-s.done:
	case <-patience.C:
	}
}
