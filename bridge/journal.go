package bridge

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// Transmission is one line of the journal: one frame that a link has taken.
type Transmission struct {
	Time   time.Time `json:"time"` // UTC
	Unsure bool      `json:"clock_not_trusted,omitempty"`
	Age    clock.Age `json:"age_ms"` // the gateway's age, which no clock changes
	Link   string    `json:"link"`
	Own    string    `json:"own"` // the gateway's call sign, which identifies the transmission
	By     string    `json:"by"`  // operator, or automatic
	// Operator is who wrote a message of the gateway's own, if known.
	Operator string `json:"operator,omitempty"`

	ID         string             `json:"id,omitempty"` // of the message; a position has none
	Kind       message.Kind       `json:"kind"`
	Precedence message.Precedence `json:"precedence,omitempty"`
	From       string             `json:"from"`
	To         string             `json:"to,omitempty"`
	Gateway    string             `json:"gateway,omitempty"`
	Frame      string             `json:"frame,omitempty"` // the frame id that the ack will name
	Part       int                `json:"part,omitempty"`
	Parts      int                `json:"parts,omitempty"`
	Try        int                `json:"try,omitempty"`
	Text       string             `json:"text,omitempty"` // exactly as it went out
	Acks       string             `json:"acks,omitempty"`
	Nak        bool               `json:"nak,omitempty"`
	Where      *message.Where     `json:"where,omitempty"`

	at queue.Stamp
}

// journalRoom is how many lines may wait to be written. If the disk is too slow, lines
// are lost rather than transmissions delayed.
const journalRoom = 4096

// journalPause is how long a line waits for others to be written with it.
const journalPause = 20 * time.Millisecond

// journal writes each transmission into a file a day, append-only. Nothing waits for
// it: lines that cannot be written are counted. To spare SD cards no line is synced;
// a power failure loses what the kernel had not written yet (half a minute by
// default), a kill the last journalPause.
type journal struct {
	dir  string // empty: no journal
	keep time.Duration
	log  *slog.Logger
	gone func(n int) // told of lines that could not be written

	lines chan *Transmission
	done  sync.WaitGroup
	lost  atomic.Int64

	name    string // of the open file
	file    *os.File
	failing bool
	text    bytes.Buffer // of the lines that are being written
}

func newJournal(dir string, keep time.Duration, log *slog.Logger, gone func(int)) *journal {
	return &journal{dir: dir, keep: keep, log: log, gone: gone, lines: make(chan *Transmission, journalRoom)}
}

// start starts the writer; stop ends it, when all is written.
func (j *journal) start() {
	j.done.Go(func() {
		for t := range j.lines {
			time.Sleep(journalPause)
			j.writeAll(j.gather(t))
		}
		if j.file != nil {
			j.file.Sync() // nobody is left to hear of an error
			j.file.Close()
		}
	})
}

// stop must come after the last note.
func (j *journal) stop() {
	close(j.lines)
	j.done.Wait()
}

// note takes a line to be written. It never blocks.
func (j *journal) note(t *Transmission) {
	if j.dir == "" {
		return
	}
	select {
	case j.lines <- t:
	default:
		j.lose(1)
	}
}

func (j *journal) lose(n int) {
	j.lost.Add(int64(n))
	j.gone(n)
}

// gather takes the lines that wait after the first.
func (j *journal) gather(first *Transmission) []*Transmission {
	all := []*Transmission{first}
	for len(all) < journalRoom {
		select {
		case t, ok := <-j.lines:
			if !ok {
				return all
			}
			all = append(all, t)
		default:
			return all
		}
	}
	return all
}

// writeAll writes lines, those of the same file together.
func (j *journal) writeAll(lines []*Transmission) {
	for len(lines) > 0 {
		name, n := journalName(lines[0].at), 1
		for n < len(lines) && journalName(lines[n].at) == name {
			n++
		}
		j.write(lines[:n])
		lines = lines[n:]
	}
}

// write appends lines to the file of their day.
func (j *journal) write(lines []*Transmission) {
	err := j.open(lines[0].at)
	if err == nil {
		j.text.Reset()
		e := json.NewEncoder(&j.text)
		for _, t := range lines {
			err = errors.Join(err, e.Encode(t))
		}
		if err == nil {
			_, err = j.file.Write(j.text.Bytes())
		}
	}
	if err != nil {
		j.lose(len(lines))
		j.shut()
		if !j.failing {
			j.failing = true
			j.log.Error("the journal of transmissions cannot be written; sending goes on", "err", err)
		}
		return
	}
	if j.failing {
		j.failing = false
		j.log.Warn("the journal of transmissions is written again", "lost", j.lost.Load())
	}
}

func (j *journal) shut() {
	if j.file != nil {
		j.file.Close() // it failed already, or is complete
	}
	j.file, j.name = nil, ""
}

const (
	journalEnd  = ".jsonl"
	journalDate = "2006-01-02"
	agePrefix   = "age-" // of files from when the clock was not trusted
	ageDay      = clock.Age(24 * time.Hour / time.Millisecond)
)

// journalName is the file for a moment. While the clock is not trusted it is named by
// the gateway's age: with a wrong date the file might be removed too early.
func journalName(at queue.Stamp) string {
	if at.Sure {
		return at.Wall.UTC().Format(journalDate) + journalEnd
	}
	return fmt.Sprintf("%s%05d%s", agePrefix, at.Age/ageDay, journalEnd)
}

// open opens the file for a moment, and removes old files when a day begins.
func (j *journal) open(at queue.Stamp) error {
	name := journalName(at)
	if name == j.name && j.isThere() {
		return nil
	}
	j.shut()
	if err := os.MkdirAll(j.dir, 0o700); err != nil {
		return err
	}
	f, err := os.OpenFile(filepath.Join(j.dir, name), os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	if err := endLine(f); err != nil {
		return errors.Join(err, f.Close())
	}
	j.file, j.name = f, name
	j.tidy(at)
	return nil
}

// isThere tells whether the open file still has its name: whoever makes room on the disk may
// have removed it.
func (j *journal) isThere() bool {
	there, err := os.Stat(j.file.Name())
	if err != nil {
		return false
	}
	ours, err := j.file.Stat()
	return err == nil && os.SameFile(ours, there)
}

// endLine ends a line that a full disk or a power failure left half written.
func endLine(f *os.File) error {
	st, err := f.Stat()
	if err != nil || st.Size() == 0 {
		return err
	}
	last := make([]byte, 1)
	if _, err := f.ReadAt(last, st.Size()-1); err != nil || last[0] == '\n' {
		return err
	}
	_, err = f.Write([]byte{'\n'})
	return err
}

// tidy removes files that are too old.
func (j *journal) tidy(now queue.Stamp) {
	entries, err := os.ReadDir(j.dir)
	if err != nil {
		j.log.Warn("listing the journal's files failed", "err", err)
		return
	}
	for _, e := range entries {
		if !j.isOld(e.Name(), now) {
			continue
		}
		if err := os.Remove(filepath.Join(j.dir, e.Name())); err != nil {
			j.log.Warn("removing an old journal file failed", "err", err)
		}
	}
}

// isOld tells whether a file's whole day is too old. It goes by the gateway's age if
// the file has it: a clock that is years ahead would make all files old. Files that
// are not the journal's are never old.
func (j *journal) isOld(name string, now queue.Stamp) bool {
	stem, ours := strings.CutSuffix(name, journalEnd)
	var day int64
	if n, _ := fmt.Sscanf(stem, agePrefix+"%d", &day); n == 1 && ours {
		return journalName(queue.Stamp{Age: clock.Age(day) * ageDay}) == name && now.Age.Sub(clock.Age(day+1)*ageDay) > j.keep
	}
	date, err := time.Parse(journalDate, stem)
	if !ours || err != nil {
		return false
	}
	if begun, ok := j.begun(name); ok && begun <= now.Age { // else the file is older than the store
		return now.Age.Sub(begun+ageDay) > j.keep
	}
	return now.Sure && now.Wall.Sub(date.AddDate(0, 0, 1)) > j.keep
}

// begun is the gateway's age at the first line of a file, if known.
func (j *journal) begun(name string) (clock.Age, bool) {
	f, err := os.Open(filepath.Join(j.dir, name))
	if err != nil {
		return 0, false
	}
	defer f.Close()
	var first struct {
		Age *clock.Age `json:"age_ms"`
	}
	if json.NewDecoder(io.LimitReader(f, mostLine)).Decode(&first) != nil || first.Age == nil {
		return 0, false
	}
	return *first.Age, true
}

// mostLine is more bytes than any line has.
const mostLine = 256 << 10

// journalLine is a frame's line in the journal.
func (b *Bridge) journalLine(ln *line, f *link.Frame) *Transmission {
	m, at := &f.Message, b.stamp()
	t := &Transmission{
		Time: at.Wall.UTC(), Unsure: !at.Sure, Age: at.Age, Link: ln.Name, Own: b.own.String(), By: "automatic",
		ID: f.Record, Kind: m.Kind, Precedence: m.Precedence, From: m.From, To: m.To, Gateway: f.Gateway, Frame: f.ID,
		Part: f.Part, Parts: f.Parts, Try: f.Attempt, Text: f.Text, Acks: m.Acks, Nak: m.Nak, Where: m.Where, at: at,
	}
	if m.Kind == message.Text && m.Link == "" {
		t.By, t.Operator = "operator", m.Operator
	}
	return t
}
