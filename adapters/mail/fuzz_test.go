package mail

import (
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

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
	address, err := bounceAddress(testKey, "N0QRZ-10-000123", domain)
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
		again, err := bounceAddress(testKey, id, domain)
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
