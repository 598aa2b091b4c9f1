package broker

import (
	"fmt"
	"testing"
	"time"

	"posthouse/adapters/broker/envelope"
)

// After a restore our events have numbers that nobody has seen of us, and what
// others signed before it is not taken again, known to the backup or not.
func TestRestoredMarksRefuseWhatWasBetween(t *testing.T) {
	key, other := makeKey(t), makeKey(t)
	believed, err := envelope.ParseTrust([]byte(key.Public().JWK("N0QRB-10") + "\n" + other.Public().JWK("N0QRC-10")))
	if err != nil {
		t.Fatal(err)
	}
	ms := func(at time.Time) uint64 { return uint64(at.UnixMilli()) }
	backup := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
	now := backup.Add(5 * 24 * time.Hour)
	var w envelope.Window
	if err := w.Take(ms(backup)); err != nil {
		t.Fatal(err)
	}
	stored, err := w.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	was := map[string][]byte{numberMark: fmt.Append(nil, ms(backup)), windowMark + key.Public().Thumbprint(): stored}

	marks, err := RestoredMarks(was, believed, now)
	if err != nil {
		t.Fatal(err)
	}
	var number uint64
	if _, err := fmt.Sscanf(string(marks[numberMark]), "%d", &number); err != nil || number <= ms(now)+numberBlock {
		t.Errorf("our numbers go on at %s (%v)", marks[numberMark], err)
	}
	for _, k := range []envelope.Key{key, other} {
		var w envelope.Window
		if err := w.UnmarshalBinary(marks[windowMark+k.Public().Thumbprint()]); err != nil {
			t.Fatal(err)
		}
		for _, at := range []time.Time{backup, backup.Add(time.Millisecond), backup.Add(time.Hour), now.Add(-time.Millisecond), now} {
			if !w.Seen(ms(at)) {
				t.Errorf("what was signed at %v may be played again", at)
			}
		}
		for _, at := range []time.Time{now.Add(time.Millisecond), now.Add(time.Second), now.Add(time.Minute)} {
			if w.Seen(ms(at)) {
				t.Errorf("what was signed at %v, after the restore, is not taken", at)
			}
		}
	}

	// Without a clock nobody knows where to draw the line; our own numbers jump.
	marks, err = RestoredMarks(was, believed, time.Time{})
	if err != nil || len(marks) != 1 {
		t.Errorf("%v, %v", marks, err)
	}
	if _, err := fmt.Sscanf(string(marks[numberMark]), "%d", &number); err != nil || number <= ms(now) {
		t.Errorf("our numbers go on at %s (%v)", marks[numberMark], err)
	}
	if _, err := RestoredMarks(map[string][]byte{numberMark: []byte("x")}, believed, now); err == nil {
		t.Error("a number that is none passes")
	}
}

func makeKey(t *testing.T) envelope.Key {
	t.Helper()
	k, err := envelope.MakeKey()
	if err != nil {
		t.Fatal(err)
	}
	return k
}
