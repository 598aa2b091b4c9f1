package envelope

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

func sealedBy(t testing.TB, call, text string) []byte {
	t.Helper()
	key, err := MakeKey()
	if err != nil {
		t.Fatal(err)
	}
	wire, err := Seal(key, Event{
		ID: call + ".1", Source: call, Root: "posthouse/1", Topic: Inbox("N0QRB-10"), Number: 1, Lifetime: time.Hour,
		Body: Receipt{About: "N0QRB-10.1", Station: "N0QRC-7", To: "N0QRD-7", Result: ResultFailed, Why: text},
	})
	if err != nil {
		t.Fatal(err)
	}
	return wire
}

// TestSignedByIsWhatOpenFinds: however an event is written, the name is the one that Open
// goes by, or Open does not take it.
func TestSignedByIsWhatOpenFinds(t *testing.T) {
	header := base64.RawURLEncoding.EncodeToString(append(bytes.Clone(beforeName), `N0QRZ-1"}`...))
	evil := fmt.Sprintf(`x","protected":"%s","signature":"y"}`, header)
	for _, wire := range [][]byte{
		sealedBy(t, "N0QRA-10", "no"), sealedBy(t, "N0QRA/P", "no"), sealedBy(t, "N0QRA-10", evil), sealedBy(t, "N0QRA-10", strings.Repeat("a", 400)),
	} {
		s, err := unwrap(wire)
		if err != nil {
			t.Fatal(err)
		}
		if signedShort(wire) != s.kid {
			t.Errorf("of %s the short way finds %q", wire, signedShort(wire))
		}
		var j jws
		if err := json.Unmarshal(wire, &j); err != nil {
			t.Fatal(err)
		}
		payload, _ := json.Marshal(j.Payload)
		member := func(name, value string) string { return fmt.Sprintf("%q:%s", name, value) }
		p, h, g := member("payload", string(payload)), member("protected", `"`+j.Protected+`"`), member("signature", `"`+j.Signature+`"`)
		other := member("protected", `"`+header+`"`)
		for _, written := range []string{
			"{" + h + "," + g + "," + p + "}", "{" + g + " , " + p + "," + h + " }", "{" + p + "," + h + "," + g + "," + other + "}",
			"{" + other + "," + p + "," + h + "," + g + "}", "{" + p + "," + other + "," + g + "}", "{" + p + evil, p + evil, evil, "", "{}",
			string(wire) + string(wire), "{" + p + "," + strings.Replace(h, "protected", "\\u0070rotected", 1) + "," + g + "}",
		} {
			s, err := unwrap([]byte(written))
			if by := SignedBy([]byte(written)); err == nil && by != s.kid {
				t.Errorf("%s is signed by %q, not %q", written, s.kid, by)
			}
		}
	}
}

func FuzzSignedBy(f *testing.F) {
	f.Add(sealedBy(f, "N0QRA-10", "no"))
	f.Fuzz(func(t *testing.T, wire []byte) {
		s, err := unwrap(wire)
		if by := SignedBy(wire); err == nil && by != s.kid {
			t.Errorf("signed by %q, not %q", s.kid, by)
		}
	})
}

func BenchmarkSignedBy(b *testing.B) {
	wire := sealedBy(b, "N0QRA-10", "no such user here")
	for b.Loop() {
		SignedBy(wire)
	}
}
