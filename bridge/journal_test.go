package bridge_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// journal reads the lines of one file of the journal.
func (w *world) journalOf(name string) (lines []bridge.Transmission) {
	w.t.Helper()
	b, err := os.ReadFile(filepath.Join(w.dir, "air", name))
	if err != nil {
		w.t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		var t bridge.Transmission
		if err := json.Unmarshal([]byte(line), &t); err != nil {
			w.t.Fatalf("%q: %v", line, err)
		}
		lines = append(lines, t)
	}
	return lines
}

func brief(t bridge.Transmission) string {
	s := fmt.Sprintf("%s %s %s %s %s>%s %s", t.Time.Format("15:04:05Z"), t.Link, t.By, t.Kind, t.From, t.To, t.Text)
	if t.Acks != "" {
		s += "acks " + t.Acks
	}
	return s
}

func TestJournalHasEachTransmission(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.gets("hill", soon)
		f := w.gets("hill", 100*time.Second)
		synctest.Wait() // an ack in the same instant may be told first
		w.ack("hill", f)
		w.gets("valley", soon)
		synctest.Wait()
		if _, err := w.bridge.Send(t.Context(), desk.Draft{To: "N0QRB-9", Text: "net at eight", By: "N0QRA"}); err != nil {
			t.Fatal(err)
		}
		w.ack("hill", w.gets("hill", soon))
		time.Sleep(24 * time.Hour)
		w.says("valley", "N0QRA-7", "ALL", "2", "a new day")
		w.gets("hill", soon)
		w.shut()
		want := []string{
			"00:00:00Z hill automatic text N0QRA-7>N0QRB-9 hello",
			"00:01:30Z hill automatic text N0QRA-7>N0QRB-9 hello",
			"00:01:30Z valley automatic receipt N0QRB-9>N0QRA-7 acks 1",
			"00:01:30Z hill operator text N0QRZ-10>N0QRB-9 net at eight",
		}
		first := w.journalOf("2000-01-01.jsonl")
		for i, line := range want {
			if got := brief(first[i]); got != line {
				t.Errorf("got  %s\nwant %s", got, line)
			}
			if first[i].Own != gateway || first[i].Unsure {
				t.Errorf("line %d: %+v", i, first[i])
			}
		}
		if first[1].Try != 2 || first[0].Frame == "" || first[0].Frame != first[1].Frame {
			t.Errorf("the resend is not told as one: %+v", first[:2])
		}
		if first[3].Operator != "N0QRA" || first[0].Operator != "" {
			t.Errorf("written by %q, carried for %q", first[3].Operator, first[0].Operator)
		}
		if next := w.journalOf("2000-01-02.jsonl"); len(next) == 0 || next[0].Text != "a new day" {
			t.Errorf("the next day %+v", next)
		}
	})
}

// Without a trusted clock the file goes by the gateway's age: no date can have
// it removed early.
func TestJournalWhileTheClockIsNotTrusted(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.unsure.Store(true)
		w.restart()
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		w.shut()
		if lines := w.journalOf("age-00000.jsonl"); len(lines) == 0 || !lines[0].Unsure {
			t.Errorf("lines %+v", lines)
		}
	})
}

func TestJournalRemovesWhatIsTooOld(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_KEEP_LOG=48h"}, func(t *testing.T, w *world) {
		air := filepath.Join(w.dir, "air")
		if err := os.MkdirAll(air, 0o700); err != nil {
			t.Fatal(err)
		}
		keep := []string{"1999-12-30.jsonl", "1999-12-31.jsonl", "notes.txt", "1999-12-01.txt", "age-00000.jsonl", "age-0.jsonl", "1999-12-28.jsonl.gz"}
		for _, name := range append(keep, "1999-12-28.jsonl", "1970-01-01.jsonl") {
			if err := os.WriteFile(filepath.Join(air, name), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		w.shut()
		for _, name := range keep {
			if _, err := os.Stat(filepath.Join(air, name)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		for _, name := range []string{"1999-12-28.jsonl", "1970-01-01.jsonl"} {
			if _, err := os.Stat(filepath.Join(air, name)); err == nil {
				t.Errorf("%s is still there", name)
			}
		}
	})
}

// A folder that cannot be written costs lines, which are counted, and no
// transmission.
func TestJournalThatCannotBeWrittenHoldsUpNothing(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		air := filepath.Join(w.dir, "air")
		if err := os.WriteFile(air, []byte("in the way"), 0o600); err != nil {
			t.Fatal(err)
		}
		for i := range 3 {
			w.says("valley", "N0QRA-7", "ALL", fmt.Sprint(i), fmt.Sprintf("lost %d", i))
			w.gets("hill", soon)
		}
		time.Sleep(time.Second) // lines are written together
		if err := testutil.GatherAndCompare(w.reg, strings.NewReader(`# HELP posthouse_journal_lines_lost_total Transmissions that could not be written into the journal.
# TYPE posthouse_journal_lines_lost_total counter
posthouse_journal_lines_lost_total 3
`), "posthouse_journal_lines_lost_total"); err != nil {
			t.Error(err)
		}
		if err := os.Remove(air); err != nil {
			t.Fatal(err)
		}
		w.says("valley", "N0QRA-7", "ALL", "9", "written again")
		w.gets("hill", soon)
		w.shut()
		if lines := w.journalOf("2000-01-01.jsonl"); len(lines) == 0 || lines[0].Text != "written again" {
			t.Errorf("lines %+v", lines)
		}
		if n := strings.Count(w.log.String(), "cannot be written"); n != 1 {
			t.Errorf("the log says it %d times", n)
		}
	})
}

// Somebody who makes room on the disk removes the journal, or moves it away, while it is
// being written: what goes out afterwards is in a new file.
func TestJournalThatIsRemovedWhileItIsWritten(t *testing.T) {
	for name, away := range map[string]func(string) error{
		"removed": os.RemoveAll, "moved": func(air string) error { return os.Rename(air, air+".old") },
	} {
		t.Run(name, func(t *testing.T) {
			inWorld(t, nil, func(t *testing.T, w *world) {
				w.says("valley", "N0QRA-7", "ALL", "1", "before")
				w.gets("hill", soon)
				time.Sleep(time.Second) // lines are written together
				if err := away(filepath.Join(w.dir, "air")); err != nil {
					t.Fatal(err)
				}
				w.says("valley", "N0QRA-7", "ALL", "2", "afterwards")
				w.gets("hill", soon)
				w.shut()
				if lines := w.journalOf("2000-01-01.jsonl"); len(lines) == 0 || lines[0].Text != "afterwards" {
					t.Errorf("lines %+v", lines)
				}
			})
		})
	}
}

// A line that a power failure cut does not spoil the next one.
func TestJournalAfterAHalfWrittenLine(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		air := filepath.Join(w.dir, "air")
		if err := os.MkdirAll(air, 0o700); err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(air, "2000-01-01.jsonl")
		if err := os.WriteFile(name, []byte(`{"time":"2000-01-01T00:0`), 0o600); err != nil {
			t.Fatal(err)
		}
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		w.shut()
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(b)), "\n")
		var line bridge.Transmission
		if err := json.Unmarshal([]byte(lines[1]), &line); err != nil || line.Text != "hello" {
			t.Errorf("the second line is %q: %v", lines[1], err)
		}
	})
}

// The daily file has what goes out on each kind of link, whatever it is: texts,
// receipts, notices and positions, each under the gateway's own call sign.
func TestJournalHasEveryKindOfLinkAndFrame(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_ALERT_TO=ops@club.example"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.beacon("aprs", "N0QRC-7")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "to a mesh")
		w.ack("hill", w.gets("hill", soon))
		w.says("valley", "N0QRA-7", "N0QRC-7", "2", "to APRS")
		f := w.gets("aprs", soon)
		w.hears("aprs", message.Message{Kind: message.Receipt, From: "N0QRC-7", To: "N0QRA-7", Acks: f.ID, Nak: true})
		w.says("valley", "N0QRA-7", "bob@club.example", "3", "to a mailbox")
		w.where("valley", "N0QRA-7", 46.5, -122.9)
		w.says("valley", "N0QRA-7", "N0QRB-9", "4", "EMERGENCY help")
		time.Sleep(time.Minute)
		w.shut()
		want := map[string]bool{
			"hill text N0QRA-7>N0QRB-9 to a mesh": true, "aprs text N0QRA-7>N0QRC-7 to APRS": true, "post text N0QRA-7>bob@club.example to a mailbox": true,
			"valley receipt N0QRB-9>N0QRA-7 acks 1": true, "valley receipt bob@club.example>N0QRA-7 acks 3": true, "aprs position N0QRA-7> ": true,
			"post notice N0QRZ-10>ops@club.example EMERGENCY from N0QRA-7 to N0QRB-9: EMERGENCY help": true,
		}
		for _, line := range w.journalOf("2000-01-01.jsonl") {
			_, s, _ := strings.Cut(brief(line), " ")
			delete(want, strings.Replace(s, " automatic ", " ", 1))
			if line.Own != gateway || line.By != "automatic" || line.Operator != "" || line.Time.Location() != time.UTC {
				t.Errorf("%+v", line)
			}
		}
		for line := range want {
			t.Errorf("the journal lacks: %s", line)
		}
	})
}
