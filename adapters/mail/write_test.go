package mail

import (
	"bytes"
	"net/mail"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// composed writes a mail and reads it again with the standard library, which is
// another implementation than the one that wrote it.
func composed(t interface{ Fatal(...any) }, f link.Frame) (*outgoing, *mail.Message, string) {
	o := testOptions().withDefaults()
	out, err := o.compose(f)
	if err != nil {
		t.Fatal(err)
	}
	m, err := mail.ReadMessage(bytes.NewReader(out.data))
	if err != nil {
		t.Fatal(err)
	}
	return out, m, readAsPerson(out.data)
}

func frame(text string) link.Frame {
	return link.Frame{
		Message: message.Message{
			Kind: message.Text, From: "N0QRB-9", To: "qra@home.example", Text: text, Precedence: message.Routine,
			Filed: time.Date(2024, 11, 25, 14, 5, 0, 0, time.UTC),
		},
		Text: text, ID: "A1B2C", Record: "N0QRZ-10-000123", Part: 1, Parts: 1, Attempt: 1,
	}
}

// The header set: RFC 5322 section 3.6, RFC 2045 sections 3 to 6, RFC 5321
// section 3.7.1 (Received).
func TestHeaderOfASentMail(t *testing.T) {
	out, m, text := composed(t, frame("water low, send two cans"))
	want := mail.Header{
		"From":                      {`"N0QRB-9 via N0QRZ-10" <n0qrb-9@radio.club.example>`},
		"Reply-To":                  {"<n0qrb-9@radio.club.example>"},
		"To":                        {"<qra@home.example>"},
		"Subject":                   {"water low, send two cans"},
		"Date":                      {"Mon, 25 Nov 2024 14:05:00 +0000"},
		"Message-Id":                {"<N0QRZ-10-000123@radio.club.example>"},
		"Mime-Version":              {"1.0"},
		"Content-Type":              {"text/plain; charset=utf-8"},
		"Content-Transfer-Encoding": {"quoted-printable"},
		markHeader:                  {"N0QRZ-10"},
	}
	received := m.Header.Get("Received")
	if !strings.HasPrefix(received, "from N0QRB-9 by radio.club.example via radio; ") {
		t.Errorf("Received: %s", received)
	}
	delete(m.Header, "Received")
	if !reflect.DeepEqual(m.Header, want) {
		t.Errorf("got  %v\nwant %v", m.Header, want)
	}
	if text != "water low, send two cans" {
		t.Errorf("text %q", text)
	}
	local, _, _ := cutAddress(out.from)
	if id, ok := bouncedID(testKey, local); !ok || id != "A1B2C" {
		t.Errorf("envelope sender %s leads to %q", out.from, id)
	}
	for _, say := range []string{"\n-- \n", "just reply", "amateur radio", "open to anyone", "no privacy, no encryption", "N0QRZ-10", "2024-11-25T14:05:00Z"} {
		if whole := decoded(t, out.data); !strings.Contains(whole, say) {
			t.Errorf("the footer lacks %q:\n%s", say, whole)
		}
	}
}

func decoded(t testing.TB, data []byte) string {
	t.Helper()
	e, _, err := openMail(data)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	b.ReadFrom(e.Body)
	return strings.ReplaceAll(b.String(), "\r\n", "\n")
}

func TestSubjects(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*message.Message)
		text   string
		want   string
	}{
		{"first words", nil, strings.Repeat("word ", 30), "word word word word word word word word word word word..."},
		{"one line", nil, "a\nb\tc", "a b c"},
		{"emergency in front", func(m *message.Message) { m.Precedence = message.Emergency }, "help", "EMERGENCY help"},
		{"priority once", func(m *message.Message) { m.Precedence = message.Priority }, "PRIORITY help", "PRIORITY help"},
		{"routine is not said", nil, "help", "help"},
		{"exercise first", func(m *message.Message) { m.Exercise, m.Precedence = "Autumn", message.Priority }, "help", "EXERCISE PRIORITY help"},
		{"answer", func(m *message.Message) { m.InReplyTo, m.Subject = "1@home.example", "water" }, "ok", "Re: water"},
		{"answer without a subject", func(m *message.Message) { m.InReplyTo = "1@home.example" }, "ok", "Re: ok"},
	} {
		f := frame(c.text)
		if c.change != nil {
			c.change(&f.Message)
		}
		if got := subject(f); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

func TestAnswersAreLinked(t *testing.T) {
	f := frame("ok")
	f.Message.InReplyTo = "a1@home.example"
	_, m, _ := composed(t, f)
	if m.Header.Get("In-Reply-To") != "<a1@home.example>" || m.Header.Get("References") != "<a1@home.example>" {
		t.Errorf("header %v", m.Header)
	}
}

func TestNoticesAreAutomaticMail(t *testing.T) {
	f := frame("not delivered: nobody has heard N0QRC")
	f.Message.Kind, f.Message.From = message.Notice, "N0QRZ-10"
	out, m, _ := composed(t, f)
	if out.from != "" || m.Header.Get("Auto-Submitted") != "auto-generated" { // RFC 3834 sections 3.3 and 5
		t.Errorf("envelope sender %q, header %v", out.from, m.Header)
	}
	if from := m.Header.Get("From"); from != `"N0QRZ-10" <n0qrz-10@radio.club.example>` {
		t.Errorf("From: %s", from)
	}
}

func TestTheSameFrameHasTheSameMessageID(t *testing.T) {
	_, first, _ := composed(t, frame("hello"))
	f := frame("hello")
	f.Attempt = 7
	_, again, _ := composed(t, f)
	f.Record = "N0QRZ-10-000124"
	_, other, _ := composed(t, f)
	a, b, c := first.Header.Get("Message-Id"), again.Header.Get("Message-Id"), other.Header.Get("Message-Id")
	if a != b || a == c {
		t.Errorf("ids %s, %s and %s", a, b, c)
	}
}

// Whatever a station sends, the mail has the same header fields, lines within
// RFC 5322 section 2.1.1, 7-bit characters, and the text.
func TestNothingInATextMakesAHeader(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hostile := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{
			"x\r\nBcc: all@evil.example\r\n\r\nbody", "\n.\n", "\r.\r\n", "a\x00b", "=?utf-8?q?=0D=0ABcc:_x?=", "\u2028Bcc: x", strings.Repeat("x", 2000), "<>\"\\",
		}))
		f := frame(hostile.Draw(t, "text"))
		f.Message.Subject = hostile.Draw(t, "subject")
		f.Message.From = hostile.Draw(t, "from")
		f.Message.InReplyTo = hostile.Draw(t, "in reply to")
		f.Message.Exercise = hostile.Draw(t, "exercise")
		out, m, text := composed(t, f)
		for key := range m.Header {
			switch key {
			case "From", "Reply-To", "To", "Subject", "Date", "Message-Id", "Mime-Version", "Content-Type",
				"Content-Transfer-Encoding", markHeader, "Received", "In-Reply-To", "References":
			default:
				t.Fatalf("a header field %s in\n%s", key, out.data)
			}
			if len(m.Header[key]) != 1 {
				t.Fatalf("%d fields %s", len(m.Header[key]), key)
			}
		}
		for line := range bytes.SplitSeq(out.data, []byte("\r\n")) {
			if len(line) > 998 || bytes.ContainsAny(line, "\r\n\x00") || bytes.ContainsFunc(line, func(r rune) bool { return r > '~' }) {
				t.Fatalf("line %q", line)
			}
		}
		want, _, _ := strings.Cut(dropControls(f.Text), "\n\n-- \n")
		if trim(text) != trim(want) {
			t.Fatalf("text\n%q, want\n%q", text, want)
		}
	})
}

// trim allows for blanks before a line end, which may come out as one.
func trim(s string) string { return strings.TrimRight(s, " \n") }

func TestBadAddressesAreFinal(t *testing.T) {
	o := testOptions()
	for _, to := range []string{"", "N0QRA", "a@", "@b.example", "a b@c.example", "a@b.example>\r\nRCPT TO:<x@y.example", "grüße@b.example", strings.Repeat("a", 65) + "@b.example"} {
		f := frame("x")
		f.Message.To = to
		if _, err := o.compose(f); err == nil {
			t.Errorf("a mail to %q was written", to)
		}
	}
}
