package mail

import (
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	gomessage "github.com/emersion/go-message"
	"github.com/rogpeppe/go-internal/txtar"
)

func FuzzReadReport(f *testing.F) {
	files, _ := filepath.Glob("testdata/reports/*.txtar")
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
		outcomes, err := readReport(raw)
		if (err == nil) != (len(outcomes) > 0) || len(outcomes) > maxParts {
			t.Fatalf("%d outcomes and %v", len(outcomes), err)
		}
		for _, o := range outcomes {
			if all := o.recipient + o.status + o.reason; len(all) > 500 || !utf8.ValidString(all) || strings.ContainsAny(all, "\r\n") {
				t.Fatalf("outcome %+v", o)
			}
		}
	})
}

// Only an address that was made with the key is believed, and it gives its id.
func FuzzBouncedID(f *testing.F) {
	address, err := bouncing(testKey).bounceAddress("N0QRZ-10-000123")
	if err != nil {
		f.Fatal(err)
	}
	local, _, _ := cutAddress(address)
	f.Add(local)
	f.Add("bounce++")
	f.Add("BOUNCE+me+" + strings.Repeat("a", 16))
	f.Fuzz(func(t *testing.T, local string) {
		id, ok := bouncedID(testKey, local)
		if !ok {
			return
		}
		again, err := bouncing(testKey).bounceAddress(id)
		if err != nil || !strings.EqualFold(again, local+"@"+domain) {
			t.Fatalf("%q gives %q, whose address is %q (%v)", local, id, again, err)
		}
	})
}

func FuzzUnflow(f *testing.F) {
	f.Add("> a \n> b\n-- \nc \n d", true)
	f.Fuzz(func(t *testing.T, text string, delSp bool) {
		got := unflow(text, delSp)
		words := func(s string) string { return strings.NewReplacer(" ", "", "\n", "", ">", "").Replace(s) }
		if words(got) != words(text) {
			t.Fatalf("%q became %q: words were lost", text, got)
		}
		if strings.Count(got, "\n") > strings.Count(text, "\n") {
			t.Fatalf("%q became %q: more lines than before", text, got)
		}
	})
}

// Whatever the header says, only the provider's own word proves the writer, and
// only stations of ours are read out of To and Cc.
func FuzzFetchedHead(f *testing.F) {
	f.Add("Authentication-Results: mx.provider.example; dmarc=pass header.from=home.example\r\n", "n0qrb-9@radio.club.example, else@home.example")
	f.Add("Authentication-Results: mx.evil.example; dkim=pass header.d=home.example\r\n", `"a, b" <gateway+n0qrb@radio.club.example>`)
	f.Fuzz(func(t *testing.T, head, to string) {
		o := testOptions()
		o.Mailbox.Vouches = provider
		in := &intake{o: o}
		m := &incoming{from: "qra@home.example"}
		e, _ := gomessage.Read(strings.NewReader(head + "\r\n"))
		if e == nil {
			return
		}
		m.header.Header = e.Header
		lower := strings.ToLower(head)
		if err := in.proven(m, nil, nil); err == nil && !(strings.Contains(lower, provider) && strings.Contains(lower, "pass") && strings.Contains(lower, "home.example")) {
			t.Fatalf("%q proves the writer", head)
		}
		stations, bounced := in.recipients([]byte("To: " + to + "\r\n\r\n"))
		if bounced != "" || len(stations) > mostStations+1 {
			t.Fatalf("%q is for %q, %q", to, stations, bounced)
		}
		for _, s := range stations {
			if s == "" || len(s) > maxLocal || s != strings.ToUpper(s) || strings.ContainsAny(s, " @\r\n") {
				t.Fatalf("%q names a station %q", to, s)
			}
		}
	})
}
