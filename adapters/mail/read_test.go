package mail

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/emersion/go-smtp"
	"github.com/rogpeppe/go-internal/txtar"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write what the golden files want anew")

// golden runs read on the mail of each file and compares with what it wants.
func golden(t *testing.T, pattern string, read func(raw []byte) (string, error)) {
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		t.Fatalf("no golden files %s", pattern)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			a, err := txtar.ParseFile(file)
			if err != nil || len(a.Files) != 2 || len(a.Comment) < 10 {
				t.Fatalf("%s: want a source, a mail and what to make of it", file)
			}
			got, err := read([]byte(crlf(string(a.Files[0].Data))))
			if err != nil {
				got = "! " + refusedAs(err)
			}
			got += "\n"
			if *update {
				a.Files[1].Data = []byte(got)
				if err := os.WriteFile(file, txtar.Format(a), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if want := string(a.Files[1].Data); got != want {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

func refusedAs(err error) string {
	if r, ok := errors.AsType[*refusal](err); ok {
		return r.code
	}
	if answer, ok := errors.AsType[*smtp.SMTPError](err); ok {
		return codeText(answer)
	}
	return err.Error()
}

func TestWhatOfAMailGoesOnAir(t *testing.T) {
	golden(t, "testdata/read/*.txtar", func(raw []byte) (string, error) {
		m, err := readMail(raw, time.Now())
		if err != nil {
			return "", err
		}
		return m.whole(), nil
	})
}

func TestDeliveryReports(t *testing.T) {
	golden(t, "testdata/reports/*.txtar", func(raw []byte) (string, error) {
		outcomes, err := readReport(raw)
		var lines []string
		for _, o := range outcomes {
			lines = append(lines, fmt.Sprintf("%s %s %s %q", o.action, o.recipient, o.status, o.reason))
		}
		return strings.Join(lines, "\n"), err
	})
}

func TestIDsOfAMail(t *testing.T) {
	read := func(s string) *incoming {
		m, err := readMail([]byte(crlf(s)), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	a := read("From: a@home.example\nMessage-ID: <1@x.example>\nIn-Reply-To: <0@y.example> <z@y.example>\n\nhi\n")
	if a.id != "1@x.example" || a.inReplyTo != "0@y.example" || !a.reply {
		t.Errorf("got id %q, in reply to %q, reply %v", a.id, a.inReplyTo, a.reply)
	}
	retried := read("Received: from b\nFrom: a@home.example\nMessage-ID: <1@x.example>\n\nhi\n")
	if retried.originID != a.originID || len(a.originID) != 16 {
		t.Errorf("a retried mail has origin id %q and %q", a.originID, retried.originID)
	}
	bare := read("From: a@home.example\n\nhi\n")
	again := read("Received: from c\nFrom: a@home.example\n\nhi\n")
	other := read("From: a@home.example\n\nho\n")
	if bare.originID != again.originID || bare.originID == other.originID {
		t.Error("a mail without Message-ID is not named by what it says")
	}
}

// A name of a zone that this computer does not know is no time of its own (RFC 5322 section
// 4.3), and the day of the week says nothing.
func TestDatesOfMails(t *testing.T) {
	for date, want := range map[string]string{
		"Mon, 30 Nov 2026 10:00:00 +0100": "0900", "Mon, 30 Nov 2026 10:00:00 +0100 (CET, winter)": "0900", "30 Nov 2026 10:00 -0000": "1000",
		"Mon, 30 Nov 2026 10:00:00 EST": "1500", "Mon, 30 Nov 2026 03:00:00 PDT": "1000", "30 Nov 26 10:00 GMT": "1000",
		"Mo, 30 Nov 2026 10:00:00 +0100": "0900", "Mon,30 Nov 2026 10:00:00 +0100": "0900",
	} {
		if got, err := readDate(date); err != nil || got.UTC().Format("1504") != want {
			t.Errorf("%s: %v, %v, want %s", date, got.UTC(), err, want)
		}
	}
	if got, err := readDate("yesterday, 10:00"); err == nil {
		t.Errorf("got %v of no date", got)
	}
}

// The laws of a text for radio: it is valid UTF-8 without control characters, no
// longer than the mail, and cutting it again changes nothing.
func checkLaws(t interface{ Fatalf(string, ...any) }, text string, most int) {
	switch {
	case !utf8.ValidString(text):
		t.Fatalf("not valid UTF-8: %q", text)
	case dropControls(text) != text:
		t.Fatalf("control characters: %q", text)
	case len(text) > most:
		t.Fatalf("%d bytes of %d", len(text), most)
	case cut(text) != text:
		t.Fatalf("cut again: %q, was %q", cut(text), text)
	}
}

// Lines that flow into one are not copied anew for each of them, with which this
// would take minutes: anybody may send such a mail, before it is known who he is.
func TestManyLinesFlowIntoOne(t *testing.T) {
	text := strings.Repeat("a \n", 400_000)
	if got := unflow(text, false); got != strings.Repeat("a ", 400_000) {
		t.Errorf("got %d bytes", len(got))
	}
}

// The same of what is to be cut line by line: each of these mails of 64 KB took a
// minute and more.
func TestManyThingsToCut(t *testing.T) {
	for name, line := range map[string]string{
		"footers": "Sent from my iPhone\n", "signatures": "--\na\nb\nc\nd\ne\nf\ng\nSent from my iPhone\n", "indented": "On 2026 <a@b.example> wrote:\n x\n",
	} {
		if got := cut("two cans\n" + strings.Repeat(line, 64_000/len(line))); !strings.HasPrefix(got, "two cans") {
			t.Errorf("%s: %d bytes", name, len(got))
		}
	}
}

func TestCutIsIdempotentAndOnlyRemoves(t *testing.T) {
	line := rapid.SampledFrom([]string{
		"", " ", ">", "> quoted", " > no quote", "-- ", "--", "hello", "On Mon, 1 Jan 2024 N0QRA wrote:", "N0QRA wrote:",
		"On 2024-01-01 somebody", "<a@b.example> wrote:", "-----Original Message-----", "see below:", "On 2026-01-01 <a@b.example> wrote:", "Gesendet: 2026", "Von: <a@b.example>", "An: c", "\t x \t", "é\u00a0",
	})
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(rapid.SliceOfN(line, 0, 12).Draw(t, "lines"), "\n")
		got := cut(text)
		checkLaws(t, got, len(text))
		if strings.TrimSpace(text) != "" && got == "" {
			t.Fatalf("nothing left of %q", text)
		}
	})
}

func FuzzReadMail(f *testing.F) {
	files, _ := filepath.Glob("testdata/*/*.txtar")
	if len(files) == 0 {
		f.Fatal("no seeds")
	}
	for _, file := range files {
		a, err := txtar.ParseFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add([]byte(crlf(string(a.Files[0].Data))))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := readMail(raw, time.Now())
		if err != nil {
			if m != nil && m.text != "" {
				t.Fatal("a text beside an error")
			}
			if _, isReply := errors.AsType[*smtp.SMTPError](err); !isReply && refusedAs(err) == err.Error() {
				t.Fatalf("an error that is no answer: %v", err)
			}
			return
		}
		// A charset with one byte a character grows up to three times, and notes
		// and the subject come on top.
		checkLaws(t, m.text, 4*len(raw))
		if whole := m.whole(); strings.TrimSpace(whole) == "" || !utf8.ValidString(whole) || len(m.notes) > 1000 {
			t.Fatalf("text %q with notes %q", whole, m.notes)
		}
	})
}
