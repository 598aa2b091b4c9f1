package envelope

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/message"
)

func TestOpenGivesWhatWasSealed(t *testing.T) {
	trust := trustAB(t)
	rapid.Check(t, func(t *rapid.T) {
		e, want := genEvent(t)
		wire, err := Seal(keyA, e)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Open(wire, trust, want)
		if err != nil {
			t.Fatalf("%v\n%s", err, wire)
		}
		if !reflect.DeepEqual(*got, Received{Event: e, Key: keyA.Public(), Listed: true}) {
			t.Fatalf("got  %+v\nwant %+v", got.Event, e)
		}
		again, err := Seal(keyA, got.Event)
		if err != nil || string(again) != string(wire) {
			t.Fatalf("sealed again (%v):\n%s\n%s", err, again, wire)
		}
	})
}

// Whatever is changed on the way: refused, or it is still the same event.
func TestAlteredEventsAreNeverTakenForOthers(t *testing.T) {
	trust := trustAB(t)
	rapid.Check(t, func(t *rapid.T) {
		e, want := genEvent(t)
		wire, err := Seal(keyA, e)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			wire = alter(t, wire)
		}
		got, err := Open(wire, trust, want)
		switch {
		case err != nil && got != nil:
			t.Fatal("an event comes with the error")
		case err == nil && !reflect.DeepEqual(got.Event, e):
			t.Fatalf("taken as %+v\n%s", got.Event, wire)
		}
	})
}

// alter changes, drops, doubles or adds a byte, or cuts the end off.
func alter(t *rapid.T, wire []byte) []byte {
	if len(wire) == 0 {
		return wire
	}
	at := rapid.IntRange(0, len(wire)-1).Draw(t, "at")
	out := append([]byte{}, wire[:at]...)
	switch rapid.IntRange(0, 4).Draw(t, "change") {
	case 0:
		return append(append(out, wire[at]^1<<rapid.IntRange(0, 7).Draw(t, "bit")), wire[at+1:]...)
	case 1:
		return append(out, wire[at+1:]...)
	case 2:
		return append(append(out, wire[at]), wire[at:]...)
	case 3:
		return append(append(out, rapid.Byte().Draw(t, "byte")), wire[at:]...)
	}
	return out
}

// Each single bit of one event, for good measure.
func TestNoBitMayFlip(t *testing.T) {
	e := hello()
	wire, trust, want := seal(t, keyA, e), trustAB(t), wantB(t, e.Topic)
	for i := range wire {
		for bit := range 8 {
			wire[i] ^= 1 << bit
			if got, err := Open(wire, trust, want); err == nil && !reflect.DeepEqual(got.Event, e) {
				t.Errorf("bit %d of byte %d: taken as %+v", bit, i, got.Event)
			}
			wire[i] ^= 1 << bit
		}
	}
}

// The text is readable on the wire, to a person and to a search.
func TestPayloadIsReadable(t *testing.T) {
	wire := string(seal(t, keyA, hello()))
	for _, word := range []string{"Water at the bridge: 2.1 m,", gatewayA, "N0QRB-9", "posthouse.text.v1", "posthouse/1/in/N0QRB-10"} {
		if !strings.Contains(wire, word) {
			t.Errorf("%q is not in %s", word, wire)
		}
	}
}

// A text rebuilds the message, and grows by one hop.
func TestTextCarriesTheMessage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := genTextBody(t, "").Message()
		hops := m.Hops
		got := NewText(&m, "valley", gatewayB).Message()
		m.Hops = append(append([]string{}, hops...), gatewayB)
		if !reflect.DeepEqual(got, m) {
			t.Fatalf("got  %+v\nwant %+v", got, m)
		}
	})
}

// So does a notice; it is always routine.
func TestNoticeCarriesTheMessage(t *testing.T) {
	m := message.Message{
		Kind: message.Notice, From: gatewayA, To: "N0QRB-9", Text: "held: N0QRA-7 not heard since 1405Z",
		Precedence: message.Routine, Filed: now, InReplyTo: "x@county.example", Subject: "water",
	}
	n := NewNotice(&m, "N0QRB-10.5")
	if got := n.Message(); !reflect.DeepEqual(got, m) || n.About != "N0QRB-10.5" {
		t.Errorf("got %+v, want %+v", got, m)
	}
}

func TestSeconds(t *testing.T) {
	for d, want := range map[time.Duration]Seconds{0: 0, 1999 * time.Millisecond: 1, -time.Hour: 0, time.Hour: 3600} {
		if got := SecondsOf(d); got != want || got.Duration() != time.Duration(want)*time.Second {
			t.Errorf("%v: got %d, want %d", d, got, want)
		}
	}
}

func TestNextNumberAlwaysGrows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		last := rapid.Uint64Range(0, MaxNumber).Draw(t, "last")
		at := time.UnixMilli(rapid.Int64Range(-1e15, 1e15).Draw(t, "now"))
		n := NextNumber(last, at)
		if n <= last || n != last+1 && n != uint64(at.UnixMilli()) {
			t.Fatalf("after %d at %v: %d", last, at, n)
		}
	})
}

// FuzzOpen: of what strangers send, only what the key's holder sealed is taken.
func FuzzOpen(f *testing.F) {
	group := hello()
	group.Topic = Group("ALL")
	text := group.Body.(Text)
	text.To = "ALL"
	group.Body = text
	presence := Event{
		ID: "N0QRA-10.p1", Source: gatewayA, Root: root, Topic: PresenceAt("valley", gatewayA), Number: 7,
		Lifetime: time.Minute, Body: Presence{Mesh: "valley", Boot: 3, Counter: 9, Up: true, Offers: []string{"mail"}},
	}
	sealedBy := map[string]Event{}
	for _, e := range []Event{hello(), group, presence} {
		wire := seal(f, keyA, e)
		f.Add(wire)
		sealedBy[e.ID+e.Topic.Name] = e
	}
	trust := trustAB(f)
	f.Fuzz(func(t *testing.T, wire []byte) {
		for _, e := range sealedBy {
			got, err := Open(wire, trust, wantB(t, e.Topic))
			switch {
			case err == nil && !reflect.DeepEqual(got.Event, sealedBy[got.ID+got.Topic.Name]):
				t.Fatalf("taken as %+v", got.Event)
			case err != nil && got != nil:
				t.Fatal("an event comes with the error")
			}
		}
	})
}

// FuzzSigned: a listed gateway that signs anything it likes. What is taken keeps
// the limits, and means the same when it is sealed again.
func FuzzSigned(f *testing.F) {
	e := hello()
	payload, err := e.encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(payload))
	f.Add(strings.Replace(string(payload), `"from"`, `"FROM"`, 1))
	f.Add(strings.Replace(string(payload), `"to":`, `"to":null,"x":[[[[{}]]]],"y":`, 1))
	f.Add(strings.Replace(string(payload), "2.1", `\ud800`, 1))
	trust, want := trustAB(f), wantB(f, e.Topic)
	f.Fuzz(func(t *testing.T, payload string) {
		wire, err := wrap(keyA, gatewayA, false, []byte(payload))
		if err != nil {
			t.Fatal(err)
		}
		got, err := Open(wire, trust, want)
		if err != nil {
			return
		}
		if got.Source != gatewayA || got.Topic != e.Topic || !json.Valid([]byte(payload)) {
			t.Fatalf("taken: %+v", got.Event)
		}
		again, err := Open(seal(t, keyA, got.Event), trust, want)
		if err != nil || !reflect.DeepEqual(again, got) {
			t.Fatalf("sealed again: %v\n%+v\n%+v", err, again, got)
		}
	})
}
