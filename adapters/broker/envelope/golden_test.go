package envelope

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"flag"
	"os"
	"reflect"
	"testing"
)

var update = flag.Bool("update", false, "write the golden file anew")

// The event that the documentation shows: other programs can be held to it.
func TestGolden(t *testing.T) {
	e := hello()
	wire := seal(t, rfcKey(t), e)
	var j jws
	if err := json.Unmarshal(wire, &j); err != nil {
		t.Fatal(err)
	}
	header, err := base64.RawURLEncoding.DecodeString(j.Protected)
	if err != nil {
		t.Fatal(err)
	}
	topic, err := e.Topic.Under(e.Root)
	if err != nil {
		t.Fatal(err)
	}
	var got bytes.Buffer
	for _, part := range []struct{ name, text string }{
		{"trust line of the sender", rfcKey(t).Public().JWK(e.Source)},
		{"topic", topic},
		{"on the wire", string(wire)},
		{"protected header, decoded", string(header)},
		{"payload, unescaped: with the encoded header and a dot before it, this is signed", j.Payload},
	} {
		got.WriteString("-- " + part.name + " --\n" + part.text + "\n")
	}
	if *update {
		if err := os.WriteFile("testdata/event.golden", got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/event.golden")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), want) {
		t.Errorf("got\n%s\nwant\n%s", got.Bytes(), want)
	}
	trust, err := ParseTrust([]byte(rfcKey(t).Public().JWK(e.Source)))
	if err != nil {
		t.Fatal(err)
	}
	if opened, err := Open(wire, trust, wantB(t, e.Topic)); err != nil || !reflect.DeepEqual(opened.Event, e) {
		t.Errorf("opened: %v, %v", opened, err)
	}
}
